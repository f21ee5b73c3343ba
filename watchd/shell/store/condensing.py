"""A day of samples becomes its minutes and the day: block by block, or all at once."""

from __future__ import annotations

import sqlite3

from watchd.history.columns import Columns
from watchd.history.fold import Fold, joined_minutes
from watchd.history.series import DamagedBlockError
from watchd.history.summaries import pack_day, pack_minutes
from watchd.shell.store import samples


class Condensing:
    """One pack's day, block by block: `step` until it is False, then `finish` in a transaction.

    Between two steps nothing is held, so that a slow card and the watching both have their turn.
    A block that can't be read is counted in `damaged`, and left out.
    """

    def __init__(
        self, db: sqlite3.Connection, of: samples.Waiting, *, with_cells: bool = True
    ) -> None:
        self._db, self.of = db, of
        self._left = list(reversed(of.ids))
        self.fold = Fold(of.day, _read(db, of.before), with_cells=with_cells)
        self.damaged = 0

    def step(self) -> bool:
        """Fold one more block; whether any was left."""
        if not self._left:
            return False
        columns = _read(self._db, self._left.pop())
        if columns is None:
            self.damaged += 1
        else:
            self.fold.take(columns)
        return True

    def finish(self) -> None:
        """Join with what was condensed of the day before, and write it."""
        of, later, day = self.of, self.fold.minutes(), self.fold.day()
        if not samples.all_wait(self._db, of):
            # Some had to make room meanwhile, and were condensed before: to count those twice would
            # be wrong. The others have their turn later.
            return
        if day is None:
            samples.finish(self._db, of, None, None)
            return
        try:
            minutes = joined_minutes(samples.kept_minutes(self._db, of.pack, of.day), later)
            kept = samples.kept_day(self._db, of.pack, of.day)
        except DamagedBlockError:
            # What can't be read is of no use to anybody; what is new must not wait for it.
            self.damaged += 1
            minutes, kept = later, None
        joined = day if kept is None else kept.joined(day)
        samples.finish(self._db, of, pack_minutes(minutes), pack_day(joined))


def _read(db: sqlite3.Connection, number: int | None) -> Columns | None:
    data = None if number is None else samples.block(db, number)
    try:
        return None if data is None else Columns.unpacked(data)
    except DamagedBlockError:
        return None


def condense(db: sqlite3.Connection, of: samples.Waiting) -> int:
    """All of it at once; how many blocks could not be read."""
    condensing = Condensing(db, of)
    while condensing.step():
        pass
    condensing.finish()
    return condensing.damaged


def drop_oldest_raw(db: sqlite3.Connection) -> int | None:
    """Drop the block that came first; how many bytes that gave, None where there is none.

    One whose day has not been condensed is condensed before, with the rest of its day until now;
    what that takes counts against it.
    """
    first = samples.first_block(db)
    if first is None:
        return None
    gained = first.bytes
    of = samples.waiting(db, first.pack, first.day)
    if of is not None and first.id in of.ids:
        gained += samples.summed(db, first.pack, first.day)
        condense(db, of)
        gained -= samples.summed(db, first.pack, first.day)
    samples.drop_block(db, first.id)
    return gained
