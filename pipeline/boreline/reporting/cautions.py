"""What every page says about its own limits."""

from __future__ import annotations

CAUTIONS = (
    (
        "Research software, not a medical device and not cleared by any authority: not for diagnosis, choice of "
        "treatment or guidance during a procedure."
    ),
    (
        "Decisions belong to the licensed operator, the local protocol and the device maker's instructions. The page "
        "shows published rules side by side; it recommends none."
    ),
    (
        "Published criteria disagree. A rule that is met says something about the patients of one paper, not about the "
        "outcome of this one."
    ),
    "More pressure or a larger balloon can tear a vessel. A shortfall is a measurement, never an instruction.",
    "Automatic contours are proposals until an operator has looked at them.",
    (
        "Not validated for bypass grafts, peripheral vessels, children, resorbable scaffolds, stents within stents, "
        "occlusions before opening, fresh thrombus, or a left main ostium with the catheter off its axis."
    ),
    (
        "Areas assume that the catheter lies along the vessel: a tilt of 10 degrees enlarges them by 1.5 %, 20 degrees "
        "by 6.4 %, 30 degrees by 15.5 % (area divided by the cosine)."
    ),
)
