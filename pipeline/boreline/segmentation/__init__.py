"""Contours of lumen, EEM and stent from the pixels of a run, with sectors and confidence."""
