"""Where along the vessel each frame lies, and how well that is known."""
