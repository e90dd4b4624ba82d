"""Which entries of a log are in force: undo and redo are entries themselves."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from boreline.correction.edits import Entry, Redo, Undo


@dataclass(frozen=True, slots=True)
class History:
    """`active`: entries in force, in the order in which they apply. `undone`: those that redo brings back, last first.

    A new edit after an undo empties `undone`, as everywhere.
    """

    active: tuple[Entry, ...] = ()
    undone: tuple[Entry, ...] = ()

    def then(self, entry: Entry) -> History:
        """The history with one more entry.

        An undo applies to the last entry in force and a redo to the last one undone; others are without effect.
        """
        match entry.edit:
            case Undo(target=target):
                if self.active and self.active[-1].number == target:
                    return History(self.active[:-1], (self.active[-1], *self.undone))
                return self
            case Redo(target=target):
                if self.undone and self.undone[0].number == target:
                    return History((*self.active, self.undone[0]), self.undone[1:])
                return self
            case _:
                return History((*self.active, entry), ())


def history(entries: Iterable[Entry]) -> History:
    """The history that a whole log amounts to."""
    active: list[Entry] = []
    undone: list[Entry] = []
    for entry in entries:
        match entry.edit:
            case Undo(target=target):
                if active and active[-1].number == target:
                    undone.append(active.pop())
            case Redo(target=target):
                if undone and undone[-1].number == target:
                    active.append(undone.pop())
            case _:
                active.append(entry)
                undone.clear()
    return History(tuple(active), tuple(reversed(undone)))
