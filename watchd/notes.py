"""What the core wants logged: notes as data, throttled where they could come in a flood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

QUIET_S = 600.0
MOST_KEYS = 500
MOST_LINES = 500  # in ten minutes, of all kinds together


@dataclass(frozen=True, slots=True)
class Note:
    """One line for the log. `fields` are its keys and values."""

    at: float
    event: str
    fields: dict[str, Any]
    warning: bool = False


class Throttle:
    """Lets the first of a kind through, then one in ten minutes with the number of the others."""

    def __init__(self) -> None:
        self._seen: dict[tuple[str, ...], tuple[float, int]] = {}
        self._began, self._lines = 0.0, 0

    def let(self, key: tuple[str, ...], at: float) -> int | None:
        """How many were kept back since the last one of this key; None: keep this one back."""
        last = self._seen.get(key)
        if last is not None and 0 <= at - last[0] < QUIET_S:
            self._seen[key] = (last[0], last[1] + 1)
            return None
        if not 0 <= at - self._began < QUIET_S:
            self._began, self._lines = at, 0
        self._lines += 1
        if self._lines > MOST_LINES:
            # Who makes each message another kind of nonsense does not fill the disk with it.
            return None
        if last is None and len(self._seen) >= MOST_KEYS:
            # Whoever sends 500 kinds of nonsense is told of the newest, in bounded memory.
            self._seen.pop(next(iter(self._seen)))
        self._seen.pop(key, None)
        self._seen[key] = (at, 0)
        return last[1] if last else 0
