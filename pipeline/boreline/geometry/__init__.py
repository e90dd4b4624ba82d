"""Closed contours in millimetres, polar resampling and masks; knows only the records."""
