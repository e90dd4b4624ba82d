"""An operator's edits: kept, replayed and turned into contours.

`edits` are the records, `log` the file, `history` undo and redo, `state` one edit after another, `replay` the whole;
`points`, `strokes` and `neighbours` move borders. Everything but `log` is pure.
"""

from boreline.correction.compare import Difference, changed_frames, differences
from boreline.correction.edits import EDIT, Edit, Entry, Redo, SiteName, Undo
from boreline.correction.history import History, history
from boreline.correction.log import LogWriter, log_hash, log_path, read_log, readers
from boreline.correction.replay import Edited, Replayed, edited_result, replay
from boreline.correction.state import Baseline, State, apply_edit, border_at

__all__ = [
    "EDIT",
    "Baseline",
    "Difference",
    "Edit",
    "Edited",
    "Entry",
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
