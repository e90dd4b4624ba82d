"""An operator's edits: kept, replayed and turned into contours.

`edits` are the records, `log` the file, `history` undo and redo, `applying` one edit after another, `replay` the whole.
`points` and `strokes` move the edited border, `arcs` looks for it in the picture; `coupling` keeps the lumen inside the
EEM; `following` hands a correction on to neighbouring pictures, `neighbours` does so by shape where there are none.
Everything but `log` and the frame cache in `pictures` is pure: the same log and the same pixels give the same
contours.
"""

from boreline.correction.applying import apply_edit
from boreline.correction.compare import Difference, changed_frames, differences
from boreline.correction.edits import EDIT, Edit, Entry, Redo, SiteName, Undo
from boreline.correction.history import History, history
from boreline.correction.log import LogWriter, log_hash, log_path, read_log, readers
from boreline.correction.pictures import FrameCache
from boreline.correction.replay import Edited, Replayed, edited_result, replay
from boreline.correction.state import Baseline, State, border_at

__all__ = [
    "EDIT",
    "Baseline",
    "Difference",
    "Edit",
    "Edited",
    "Entry",
    "FrameCache",
    "History",
    "LogWriter",
    "Redo",
    "Replayed",
    "SiteName",
    "State",
    "Undo",
    "apply_edit",
    "border_at",
    "changed_frames",
    "differences",
    "edited_result",
    "history",
    "log_hash",
    "log_path",
    "read_log",
    "readers",
    "replay",
]
