"""Sites, lengths and the queue of frames to check, as the page shows them."""

from __future__ import annotations

import numpy as np

from boreline.flags import NOT_VESSEL, parse_flags
from boreline.model import JsonValue
from boreline.results import json_ready
from boreline.review.measured import Columns
from boreline.workflow.doubt import NEAR_FRAMES, NEAR_MM, STRETCH_FRAMES, STRETCH_MM, WRONG_RELATIVE_SD, doubt
from boreline.workflow.review_figures import Figures

QUEUE_LENGTH = 200


def figures_answer(columns: Columns, figures: Figures) -> dict[str, JsonValue]:
    """The document of `figures` with what to read next, and when to stop."""
    in_mm = bool(np.isfinite(columns["position_mm"]).any())
    place = columns["position_mm"] if in_mm else np.arange(len(columns["flags"]), dtype=float)
    queue = doubt(
        place,
        in_mm=in_mm,
        lumen_area_mm2=columns["lumen_area_mm2"],
        confidence=columns["confidence"],
        eem_confidence=columns["eem_confidence"],
        stent_confidence=columns["stent_confidence"],
        usable=np.array([not (parse_flags(cell) & NOT_VESSEL) for cell in columns["flags"]], dtype=bool),
        reviewed=columns["reviewed"].astype(bool),
        sites=figures.sites,
    )
    near = f"{NEAR_MM:g} mm" if in_mm else f"{NEAR_FRAMES} frames"
    stretch = f"{STRETCH_MM:g} mm" if in_mm else f"{STRETCH_FRAMES} frames"
    ready = json_ready(
        {
            **figures.document,
            "queue": [
                {"frame": int(frame) + 1, "chance": round(float(queue.chance[frame]), 4)}
                for frame in queue.order[:QUEUE_LENGTH]
            ],
            "stretches_read": queue.n_read,
            "stretches_left": queue.n_left,
            "nothing_changes": queue.nothing_changes,
            "enough": queue.enough,
            "assumed": f"stated confidences are right; frames within {stretch} err together; decisions are read "
            f"within {near} of the sites or at the smallest area; a wrong area is off by "
            f"{WRONG_RELATIVE_SD:.0%}",
        }
    )
    assert isinstance(ready, dict)
    return ready
