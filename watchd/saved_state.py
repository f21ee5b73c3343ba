"""What is looked at of a saved state before an engine goes on from it."""

from __future__ import annotations

import math
from typing import Any

# Far above any time in s, charge in Ah or sum of squares that is kept.
LARGEST = 1e30
# Infinities are kept below these keys alone: the highest of nothing in a window, what never comes.
ENDLESS_BELOW = ("buckets", "due")
LATEST = 1e11  # Unix seconds, some thousand years


def check_state(state: dict[str, Any]) -> None:
    """Raise ValueError for what no engine has written, wherever it stands.

    Python's reader of JSON takes NaN as well, and what is computed with it becomes the same.
    """
    for name in ("at", "since"):
        if name in state and not (_is_number(state[name]) and 0 <= state[name] < LATEST):
            raise ValueError(f"'{name}' is no time")
    step_s = state.get("step_s", 0.0)
    if not (_is_number(step_s) and abs(step_s) < LATEST):
        raise ValueError("'step_s' is no time")
    _check_numbers(state)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _check_numbers(state: Any, *, endless: bool = False) -> None:
    if isinstance(state, dict):
        for name, value in state.items():
            _check_numbers(value, endless=endless or name in ENDLESS_BELOW)
    elif isinstance(state, list | tuple):
        for value in state:
            _check_numbers(value, endless=endless)
    elif isinstance(state, int | float) and not (
        abs(state) < LARGEST or (endless and isinstance(state, float) and math.isinf(state))
    ):
        raise ValueError("a number in it is none, or too large")
