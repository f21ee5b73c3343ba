"""The windowed functions of the language: how each is written, what it takes and what it gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from watchd.figures import Kind, Value


@dataclass(frozen=True, slots=True)
class Function:
    """A function of the language: how it is written, what it takes and what it gives."""

    form: str
    takes: Kind | None  # None: any kind
    gives: Kind
    unit: str | None  # None: that of what it takes
    meaning: str


FUNCTIONS: dict[str, Function] = {
    "mean": Function(
        'mean(cell_spread_mv, "5 min")',
        Kind.NUMBER,
        Kind.NUMBER,
        None,
        "mean over the window, weighted by time",
    ),
    "highest": Function(
        'highest(cell_max_v, "1 h")', Kind.NUMBER, Kind.NUMBER, None, "highest value in the window"
    ),
    "lowest": Function(
        'lowest(cell_min_v, "1 h")', Kind.NUMBER, Kind.NUMBER, None, "lowest value in the window"
    ),
    "slope": Function(
        'slope(cell_spread_mv, "14 d")',
        Kind.NUMBER,
        Kind.NUMBER,
        "*",
        "least-squares slope over the window, per day",
    ),
    "count": Function(
        'count(protection_trip, "24 h")',
        Kind.YES_NO,
        Kind.NUMBER,
        "",
        "how often it became true in the window",
    ),
    "changed": Function(
        'changed(soc_pct, "6 h")', None, Kind.YES_NO, "", "whether the value changed in the window"
    ),
    "elapsed": Function(
        'elapsed(current_a > 100, "1 h")',
        Kind.YES_NO,
        Kind.NUMBER,
        "s",
        "for how long of the window it was true",
    ),
    "since": Function(
        'since(cell_max_v > 3.5, "2 d")',
        Kind.YES_NO,
        Kind.NUMBER,
        "s",
        "how long ago it was last true; unknown if never in the window",
    ),
}


@dataclass(frozen=True, slots=True)
class WindowCall:
    """One use of a function in a condition: `mean(cell_spread_mv, '5 min')`."""

    text: str
    function: str
    span_s: float
    inner: Callable[[Mapping[str, Value]], Any]
