"""Where along the vessel each frame lies, and how well that is known.

    axis             the motion that the file or the operator states: motor, gated, a speed
    gating           frames of one cardiac phase, from R waves or from the pictures, scored
    coregistration   marker in fluoroscopy + path in a contrast cine -> millimetres, as a list of calls to
                     films, clocks, marker, breathing, centreline, registration, biplane
    landmarks        branch mouths in both pictures: the registration tested
    acquisition      each condition of good practice with its measured value

Assumes contours are not needed: only times, tags and X-ray pictures are read. A run without a source of millimetres
gets none: its axis is all NaN and says why.
"""

from boreline.position.axis import axis_from_pullback

__all__ = ["axis_from_pullback"]
