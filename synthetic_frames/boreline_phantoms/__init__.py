"""Synthetic intravascular ultrasound and X-ray runs with known truth."""
