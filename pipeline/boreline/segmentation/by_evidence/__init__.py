"""The segmenter `speckle-evidence`: blood and wall told apart by what their speckle is like in this very run."""
