"""When each subject is to be looked at again if nothing comes before."""

from __future__ import annotations

from collections.abc import Mapping
from heapq import heappop, heappush
from math import inf


class Agenda:
    """One time for each of a numbered row of subjects; the last one set counts.

    A subject that is put off, as it is by each message, keeps its place in the heap until that
    time; only then it gets its later one. So the heap stays as long as the row.
    """

    def __init__(self) -> None:
        self._heap: list[tuple[float, int]] = []
        self._due: dict[int, float] = {}
        self._queued: dict[int, float] = {}  # the earliest time of each in the heap

    def set(self, index: int, due: float) -> None:
        """Look at subject `index` at `due` (Unix seconds)."""
        self._due[index] = due
        if due < self._queued.get(index, inf):
            self._queued[index] = due
            heappush(self._heap, (due, index))

    def snapshot(self, index: Mapping[str, int]) -> dict[str, float]:
        """When each subject is to be looked at, by its name."""
        return {name: self._due[n] for name, n in index.items() if n in self._due}

    def keep(self, due: Mapping[str, float], index: Mapping[str, int], now: float) -> None:
        """Look again when it was to be looked again, so that a start moves no moment."""
        for name, moment in due.items():
            number = index.get(name)
            if number is not None and now < moment < self._due.get(number, inf):
                self.set(number, moment)

    def pop_until(self, now: float) -> tuple[float, int] | None:
        """The next that is due until `now`, as (time, index); of equal times the lower index."""
        heap = self._heap
        while heap and heap[0][0] <= now:
            queued, index = heappop(heap)
            if queued != self._queued.get(index):
                continue  # it was brought forward since
            del self._queued[index]
            due = self._due.get(index)
            if due == queued:
                del self._due[index]
                return due, index
            if due is not None:
                self.set(index, due)
        return None
