"""How long to wait before the next try: growing, capped, and jittered."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

FIRST_S = 0.5
LONGEST_S = 60.0
# A broker that takes a link and drops it at once must not be tried twice a second for ever.
LASTING_S = 30.0


class Backoff:
    """Doubles from half a second to a minute; the jitter keeps clients from coming in step.

    It begins anew after a link that lasted. `now` gives seconds that only go up.
    """

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._next_s = FIRST_S
        self._linked_at: float | None = None

    def linked(self) -> None:
        """The last try went well: there is a link now."""
        self._linked_at = self._now()

    @property
    def was_linked(self) -> bool:
        """Whether there was a link since the last wait."""
        return self._linked_at is not None

    def wait_s(self) -> float:
        """Seconds to wait now."""
        if self._linked_at is not None and self._now() - self._linked_at >= LASTING_S:
            self._next_s = FIRST_S
        self._linked_at = None
        wait_s = self._next_s * random.uniform(0.6, 1.0)
        self._next_s = min(2 * self._next_s, LONGEST_S)
        return wait_s
