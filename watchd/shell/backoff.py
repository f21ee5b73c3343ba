"""How long to wait before the next try: growing, capped, and jittered."""

from __future__ import annotations

import random

FIRST_S = 0.5
LONGEST_S = 60.0


class Backoff:
    """Doubles from half a second to a minute; the jitter keeps clients from coming in step."""

    def __init__(self) -> None:
        self._next_s = FIRST_S

    def reset(self) -> None:
        """The last try went well."""
        self._next_s = FIRST_S

    def wait_s(self) -> float:
        """Seconds to wait now."""
        wait_s = self._next_s * random.uniform(0.7, 1.3)
        self._next_s = min(2 * self._next_s, LONGEST_S)
        return wait_s
