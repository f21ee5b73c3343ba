"""Waiting for what must come: by looking again, never by sleeping for a set time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

# Far longer than anything here takes: the machine may be busy with other things.
PATIENCE_S = 30.0
LOOK_AGAIN_S = 0.02


def until(
    condition: Callable[[], T | None],
    what: str,
    *,
    within_s: float = PATIENCE_S,
    seen: Callable[[], str] = str,
) -> T:
    """The first value of `condition` that counts as true; `seen` tells what there was instead."""
    end = time.monotonic() + within_s
    while True:
        found = condition()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"waited {within_s:g} s in vain: {what}\n{seen()}")
        time.sleep(LOOK_AGAIN_S)
