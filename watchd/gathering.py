"""A snapshot of an engine as of one moment, taken bank by bank while the engine goes on.

To take the state of a thousand banks at once would hold up all alarms for seconds. So each bank is
taken when there is time for it, or else just before anything of it changes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from watchd.history.trending import Trending
from watchd.watch.watches import Watches


def gathering_of(
    state: dict[str, Any],
    watches: Watches,
    trending: Trending | None,
    each: Callable[[Any], Any],
) -> Gathering:
    """Begin with `state`, what is of no bank; `each`: see `Engine.snapshot`."""
    state |= watches.snapshot(each)
    if trending is not None:
        others = (name for name in trending.subjects() if watches.bank_of(name) is None)
        state["trends"] = trending.snapshot(others)

    def take(bank: str) -> None:
        watches.add_bank(state, bank, each)
        if trending is not None:
            subjects = (*(pack.subject for pack in watches.banks[bank].packs), f"bank/{bank}")
            state["trends"] |= trending.snapshot(subjects)

    return Gathering(state, watches.banks, take)


class Gathering:
    """`state` holds what is taken already; `take` adds a bank to it."""

    def __init__(
        self,
        state: dict[str, Any],
        banks: Iterable[str] = (),
        take: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._state, self._take = state, take
        self._waiting = dict.fromkeys(banks)
        self._error: Exception | None = None

    @property
    def is_whole(self) -> bool:
        """Whether nothing is left to take."""
        return not self._waiting

    def before(self, bank: str | None) -> None:
        """This bank, if it is one, is about to change. Raises nothing: `step` and `whole` will."""
        if bank in self._waiting:
            try:
                self._take(bank)
            except Exception as error:  # noqa: BLE001 - what cannot be saved must be watched yet
                self._error = error
                self._waiting.clear()
            else:
                del self._waiting[bank]

    def finish(self) -> None:
        """All banks are about to change."""
        for bank in list(self._waiting):
            self.before(bank)

    def step(self) -> bool:
        """Take one more bank; whether another one is left. Raises what could not be taken."""
        if self._waiting:
            self.before(next(iter(self._waiting)))
        if self._error is not None:
            raise self._error
        return bool(self._waiting)

    def whole(self) -> dict[str, Any]:
        """The snapshot, with all that was left. Raises what could not be taken."""
        while self.step():
            pass
        return self._state
