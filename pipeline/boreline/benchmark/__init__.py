"""Speed, accuracy, readers and agreement, measured."""
