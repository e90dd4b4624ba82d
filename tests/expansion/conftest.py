"""Makes the simulated vessels of `tests/profile/vessels.py` importable here."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "profile"))
