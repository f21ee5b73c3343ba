"""When each subject is to be looked at again if nothing comes before."""

from __future__ import annotations

from heapq import heappop, heappush


class Agenda:
    """One time for each of a numbered row of subjects; the last one set counts."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int]] = []
        self._due: dict[int, float] = {}

    def set(self, index: int, due: float) -> None:
        """Look at subject `index` at `due` (Unix seconds)."""
        self._due[index] = due
        heappush(self._heap, (due, index))

    def due(self, index: int) -> float | None:
        """When subject `index` is to be looked at."""
        return self._due.get(index)

    def pop_until(self, now: float) -> tuple[float, int] | None:
        """The next that is due until `now`, as (time, index); of equal times the lower index."""
        while self._heap and self._heap[0][0] <= now:
            due, index = heappop(self._heap)
            if self._due.get(index) == due:
                del self._due[index]
                return due, index
        return None
