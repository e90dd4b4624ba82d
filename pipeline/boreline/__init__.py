"""Boreline: from an intravascular ultrasound pullback to areas along the vessel, sizing and expansion."""

from boreline._version import __version__

__all__ = ["__version__"]
