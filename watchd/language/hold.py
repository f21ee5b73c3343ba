"""How long a condition has held: what on-delay, off-delay and `full_hold` measure."""

from __future__ import annotations

from typing import Any

# Unix seconds in a float resolve 0.2 µs; a sum of several may miss its end by a little more.
TOLERANCE_S = 0.001


class Hold:
    """Counts the time for which a condition was known to be true without a break.

    Unknown neither counts nor starts again: the time stands still until the next known value.
    """

    __slots__ = ("_at", "_held_s", "_running")

    def __init__(self, state: list[Any] | None = None) -> None:
        held_s, running, at = state or (0.0, False, 0.0)
        self._held_s: float = held_s
        self._running: bool = running
        self._at: float = at

    def snapshot(self) -> list[Any]:
        """Plain data from which the count goes on."""
        # Of one that does not run, when it was looked at last means nothing.
        return [self._held_s, self._running, self._at if self._running else 0.0]

    @property
    def is_clear(self) -> bool:
        """Whether nothing has held since it was last known not to; then its time has no meaning."""
        return not self._running and not self._held_s

    @property
    def held_s(self) -> float:
        """For how long it had held when it was last looked at."""
        return self._held_s

    def update(self, at: float, condition: bool | None) -> None:
        """Take the condition as of `at`."""
        if self._running:
            self._held_s += max(0.0, at - self._at)
        if condition is False:
            self._held_s = 0.0
        self._running, self._at = condition is True, at

    def reached(self, delay_s: float) -> bool:
        """Whether the condition holds now, and has for `delay_s`."""
        return self._running and self._held_s >= delay_s - TOLERANCE_S

    def due_at(self, delay_s: float) -> float | None:
        """When the condition will have held for `delay_s` if it stays; None unless it holds."""
        return self._at + max(0.0, delay_s - self._held_s) if self._running else None

    def clear(self) -> None:
        """Start from nothing."""
        self._held_s, self._running = 0.0, False
