"""Landing sites, length and diameter by every published method side by side."""
