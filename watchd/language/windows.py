"""Windowed functions: what a figure did over the last minutes, hours or days.

A window is cut into `BUCKETS` equal pieces of time, and each piece keeps sums and extremes
only: memory is bounded whatever the rate of samples, and the edge of a window is exact to
1/240 of its length. A value holds from its sample to the next one, so means and times are
weighted by time and uneven sampling does not bend them; an unknown value holds nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import astuple, dataclass
from typing import Any

from watchd.figures import Kind, Value

BUCKETS = 240
# A mean, slope or extreme is withheld until this part of its window has been seen.
NEEDED_COVER = 0.5
SECONDS_A_DAY = 86400.0


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


@dataclass(slots=True)
class _Bucket:
    number: int
    known_s: float = 0.0
    area: float = 0.0  # integral of value over time, for the mean
    samples: int = 0
    time_sum: float = 0.0  # of sample times, relative to the bucket's start
    value_sum: float = 0.0
    lowest: float = float("inf")
    highest: float = float("-inf")
    rises: int = 0
    true_s: float = 0.0
    changes: int = 0


class Window:
    """The recent past of one value. `update` at each evaluation, then `value`.

    Cost: constant per update but for the time since the last one; for a value one pass over at
    most 240 buckets, and none for `since`.
    """

    def __init__(self, call: WindowCall, state: Mapping[str, Any] | None = None) -> None:
        self.call = call
        self._width_s = call.span_s / BUCKETS
        self._buckets: deque[_Bucket] = deque()
        self._last_at: float | None = None
        self._last: Value = None  # value that holds since `_last_at`
        self._known: Value = None  # last value that was known
        self._last_true_at: float | None = None
        self._first_at: float | None = None
        if state is not None:
            self._buckets = deque(_Bucket(*b) for b in state["buckets"])
            self._last_at, self._first_at = state["last_at"], state["first_at"]
            self._last, self._known = _frozen(state["last"]), _frozen(state["known"])
            self._last_true_at = state["last_true_at"]

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which a window goes on."""
        return {
            "buckets": [list(astuple(b)) for b in self._buckets],
            "last_at": self._last_at,
            "first_at": self._first_at,
            "last": self._last,
            "known": self._known,
            "last_true_at": self._last_true_at,
        }

    def update(self, at: float, value: Value) -> None:
        """Take the value as of `at` (Unix seconds, not before the last one)."""
        if self._first_at is None:
            self._first_at = at
        if self._last_at is not None:
            at = max(at, self._last_at)
            if self._last is not None:
                self._hold(self._last, max(self._last_at, at - self.call.span_s), at)
        bucket = self._bucket(at)
        if value is not None:
            if isinstance(value, int | float):
                x = float(value)
                bucket.samples += 1
                bucket.time_sum += at - bucket.number * self._width_s
                bucket.value_sum += x
                bucket.lowest = min(bucket.lowest, x)
                bucket.highest = max(bucket.highest, x)
            if value is True:
                self._last_true_at = at
                bucket.rises += self._known is False
            bucket.changes += self._known is not None and value != self._known
            self._known = value
        self._last_at, self._last = at, value

    def value(self, at: float) -> Value:
        """The function's value over the window that ends at `at`; None while withheld."""
        at = at if self._last_at is None else max(at, self._last_at)
        self._expire(at)
        value: Value = getattr(self, f"_{self.call.function}")(at)
        return value

    def _number(self, at: float) -> int:
        number = int(at // self._width_s)
        # Where the width is no binary fraction, a bucket's edge may round to just inside of it.
        return number if at < (number + 1) * self._width_s else number + 1

    def _bucket(self, at: float) -> _Bucket:
        number = self._number(at)
        if not self._buckets or self._buckets[-1].number < number:
            self._buckets.append(_Bucket(number))
            self._expire(at)
        return self._buckets[-1]

    def _expire(self, at: float) -> None:
        oldest = self._number(at) - BUCKETS
        while self._buckets and self._buckets[0].number <= oldest:
            self._buckets.popleft()

    def _hold(self, value: Value, begin: float, end: float) -> None:
        """Spread a value that held from `begin` to `end` over the buckets in between."""
        number = value if isinstance(value, int | float) else 0.0
        while begin < end:
            bucket = self._bucket(begin)
            edge = min(end, (bucket.number + 1) * self._width_s)
            length = edge - begin
            bucket.known_s += length
            bucket.area += number * length
            if value is True:
                bucket.true_s += length
            if isinstance(value, int | float):
                bucket.lowest = min(bucket.lowest, number)
                bucket.highest = max(bucket.highest, number)
            begin = edge
        if value is True:
            self._last_true_at = end

    def _seen(self) -> bool:
        """Whether anything was known in the window: of what was never seen nothing is counted."""
        return self._last is not None or any(b.known_s for b in self._buckets)

    def _covered(self) -> bool:
        return sum(b.known_s for b in self._buckets) >= NEEDED_COVER * self.call.span_s

    def _mean(self, _at: float) -> Value:
        if not self._covered():
            return None
        return sum(b.area for b in self._buckets) / sum(b.known_s for b in self._buckets)

    def _highest(self, _at: float) -> Value:
        return max(b.highest for b in self._buckets) if self._covered() else None

    def _lowest(self, _at: float) -> Value:
        return min(b.lowest for b in self._buckets) if self._covered() else None

    def _slope(self, _at: float) -> Value:
        if not self._covered():
            return None
        origin = self._buckets[0].number * self._width_s
        points = [
            (
                b.samples,
                b.number * self._width_s - origin + b.time_sum / b.samples,
                b.value_sum / b.samples,
            )
            for b in self._buckets
            if b.samples
        ]
        weight = sum(n for n, _, _ in points)
        if len(points) < 2:
            return None
        t_mean = sum(n * t for n, t, _ in points) / weight
        x_mean = sum(n * x for n, _, x in points) / weight
        spread = sum(n * (t - t_mean) ** 2 for n, t, _ in points)
        if spread <= 0:
            return None
        return sum(n * (t - t_mean) * (x - x_mean) for n, t, x in points) / spread * SECONDS_A_DAY

    def _count(self, _at: float) -> Value:
        return float(sum(b.rises for b in self._buckets)) if self._seen() else None

    def _changed(self, at: float) -> Value:
        if any(b.changes for b in self._buckets):
            return True
        whole = self._first_at is not None and at - self._first_at >= self.call.span_s
        return False if whole and self._covered() else None

    def _elapsed(self, at: float) -> Value:
        if not self._seen():
            return None
        running = at - self._last_at if self._last is True and self._last_at is not None else 0.0
        return min(self.call.span_s, sum(b.true_s for b in self._buckets) + running)

    def _since(self, at: float) -> Value:
        if self._last is True:
            return 0.0
        if self._last_true_at is None or at - self._last_true_at > self.call.span_s:
            return None
        return at - self._last_true_at


def _frozen(value: Any) -> Value:
    # A snapshot that went through JSON has lists where there were tuples.
    return tuple(value) if isinstance(value, list) else value
