"""Where along the vessel each frame lies, and how well that is known."""

from boreline.position.axis import axis_from_pullback

__all__ = ["axis_from_pullback"]
