"""What compiled conditions call. Each takes and gives None for unknown."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _and(*parts: bool | None) -> bool | None:
    unknown = False
    for part in parts:
        if part is False:
            return False
        unknown = unknown or part is None
    return None if unknown else True


def _or(*parts: bool | None) -> bool | None:
    unknown = False
    for part in parts:
        if part is True:
            return True
        unknown = unknown or part is None
    return None if unknown else False


OPERATIONS: dict[str, Callable[..., Any]] = {
    "and_": _and,
    "or_": _or,
    "not_": lambda a: None if a is None else not a,
    "if_": lambda test, yes, no: None if test is None else (yes if test else no),
    "gt": lambda a, b: None if a is None or b is None else a > b,
    "ge": lambda a, b: None if a is None or b is None else a >= b,
    "lt": lambda a, b: None if a is None or b is None else a < b,
    "le": lambda a, b: None if a is None or b is None else a <= b,
    "eq": lambda a, b: None if a is None or b is None else a == b,
    "ne": lambda a, b: None if a is None or b is None else a != b,
    "in_": lambda a, b: None if a is None or b is None else a in b,
    "not_in": lambda a, b: None if a is None or b is None else a not in b,
    "neg": lambda a: None if a is None else -a,
    "add": lambda a, b: None if a is None or b is None else _finite(a + b),
    "sub": lambda a, b: None if a is None or b is None else _finite(a - b),
    "mul": lambda a, b: None if a is None or b is None else _finite(a * b),
    "div": lambda a, b: None if a is None or b is None or b == 0 else _finite(a / b),
}
