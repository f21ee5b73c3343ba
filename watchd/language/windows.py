"""Windows at work: what a figure did over the last minutes, hours or days.

A window is cut into `BUCKETS` equal pieces of time, and each piece keeps sums or extremes only,
those that its function needs: memory is bounded whatever the rate of samples, and the edge of a
window is exact to 1/240 of its length. A value holds from its sample to the next one, so means and
times are weighted by time and uneven sampling does not bend them; an unknown value holds nothing.

Cost: constant per update and look, but for the time since the last one, and one pass over the
pieces when one of them has left the window.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from watchd.figures import Value
from watchd.language.functions import WindowCall
from watchd.language.pieces import Fold, Pieces
from watchd.language.slope import NO_POINTS, Points, slope_per_s, with_point

BUCKETS = 240
# A mean, slope or extreme is withheld until this part of its window has been seen.
NEEDED_COVER = 0.5
SECONDS_A_DAY = 86400.0
# A piece as it was saved once, the same for all functions.
OLD_ROW = (
    "number", "known_s", "area", "samples", "time_sum", "value_sum", "lowest", "highest", "rises",
    "true_s", "changes",
)  # fmt: skip


class Window(ABC):
    """The recent past of one value. `update` at each evaluation, then `value`.

    `state` is a snapshot of a window of the same call. What a kind of window keeps of each piece
    is in `COLUMNS`, by the words of `OLD_ROW`.
    """

    COLUMNS: ClassVar[tuple[tuple[str, Fold], ...]] = ()
    # Of which column it is enough to know the newest piece that has any.
    NEWEST: ClassVar[str] = ""
    __slots__ = (
        "_first_at",
        "_known",
        "_last",
        "_last_at",
        "_newest",
        "_pieces",
        "_width_s",
        "call",
    )

    def __init__(self, call: WindowCall, state: Mapping[str, Any] | None = None) -> None:
        self.call = call
        self._width_s = call.span_s / BUCKETS
        saved = state if state is not None else {}
        rows = saved.get("buckets", ())
        is_old = bool(rows) and len(rows[0]) == len(OLD_ROW)
        self._newest: int | None = saved.get("newest")
        if is_old:
            rows, self._newest = self._renewed(rows)
        self._pieces = Pieces([fold for _, fold in self.COLUMNS], rows)
        self._last_at: float | None = saved.get("last_at")
        self._first_at: float | None = saved.get("first_at")
        self._last: Value = _frozen(saved.get("last"))  # value that holds since `_last_at`
        self._known: Value = _frozen(saved.get("known"))  # last value that was known

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which a window goes on."""
        return {
            "buckets": self._pieces.rows(),
            "newest": self._newest,
            "last_at": self._last_at,
            "first_at": self._first_at,
            "last": self._last,
            "known": self._known,
        }

    def update(self, at: float, value: Value) -> None:
        """Take the value as of `at` (Unix seconds, not before the last one)."""
        last_at = self._last_at
        if last_at is None:
            if self._first_at is None:
                self._first_at = at
        else:
            at = max(at, last_at)
            if self._last is not None:
                begin = max(last_at, at - self.call.span_s)
                if begin < at:
                    self._hold(self._last, begin, at)
        if value is not None:
            self._come(at, value)
            self._known = value
        self._last_at, self._last = at, value

    def value(self, at: float) -> Value:
        """The function's value over the window that ends at `at`; None while withheld."""
        if self._last_at is not None and at < self._last_at:
            at = self._last_at
        oldest = self._number(at) - BUCKETS
        self._pieces.drop(oldest)
        if self._newest is not None and self._newest <= oldest:
            self._newest = None
        return self._value(at)

    def taken(self, at: float, value: Value) -> Value:
        """`update`, and the function's value then."""
        self.update(at, value)
        return self.value(at)

    def _number(self, at: float) -> int:
        number = int(at // self._width_s)
        # Where the width is no binary fraction, a bucket's edge may round to just inside of it.
        return number if at < (number + 1) * self._width_s else number + 1

    def _begin(self, at: float) -> int:
        """The piece of `at` is the newest from now on."""
        number = self._number(at)
        self._pieces.begin(number)
        self._pieces.drop(number - BUCKETS)
        return number

    def _hold(self, value: Value, begin: float, end: float) -> None:
        """Spread a value that held from `begin` to `end` over the pieces in between."""
        while begin < end:
            edge = min(end, (self._begin(begin) + 1) * self._width_s)
            self._held(value, edge - begin)
            begin = edge

    # A kind of window says what it keeps; some have no need of one of these.
    def _held(self, value: Value, length_s: float) -> None:  # noqa: B027
        """A value held for so long within the newest piece."""

    def _come(self, at: float, value: Value) -> None:  # noqa: B027
        """A known value came `at`."""

    @abstractmethod
    def _value(self, at: float) -> Value:
        """The function's value, of what is in the window."""

    def _newest_known(self, end: float) -> None:
        """The piece in which something was known until `end` is the newest."""
        number = self._number(end)
        self._newest = number if number * self._width_s < end else number - 1

    @classmethod
    def _renewed(cls, rows: Sequence[Sequence[Any]]) -> tuple[list[list[Any]], int | None]:
        """The pieces of an old snapshot, and the newest one of note."""
        places = [0, *(OLD_ROW.index(name) for name, _ in cls.COLUMNS)]
        newest = None
        if cls.NEWEST:
            noted = OLD_ROW.index(cls.NEWEST)
            newest = max((row[0] for row in rows if row[noted]), default=None)
        return [[row[place] for place in places] for row in rows], newest


class _Covered(Window):
    """A window that is withheld until enough of it is known. Its first column is `known_s`."""

    __slots__ = ()

    def _is_covered(self) -> bool:
        return self._pieces.whole(0) >= NEEDED_COVER * self.call.span_s


class _Mean(_Covered):
    COLUMNS = (
        ("known_s", Fold.SUM),
        ("area", Fold.SUM),
    )
    __slots__ = ()

    def _held(self, value: Value, length_s: float) -> None:
        self._pieces.add(0, length_s)
        self._pieces.add(1, _number_of(value) * length_s)

    def _value(self, _at: float) -> Value:
        return self._pieces.whole(1) / self._pieces.whole(0) if self._is_covered() else None


class _Extreme(_Covered):
    """The highest or the lowest."""

    __slots__ = ()

    def _held(self, value: Value, length_s: float) -> None:
        self._pieces.add(0, length_s)
        self._pieces.add(1, _number_of(value))

    def _come(self, at: float, value: Value) -> None:
        self._begin(at)
        self._pieces.add(1, _number_of(value))

    def _value(self, _at: float) -> Value:
        return self._pieces.whole(1) if self._is_covered() else None


class _Highest(_Extreme):
    COLUMNS = (
        ("known_s", Fold.SUM),
        ("highest", Fold.HIGHEST),
    )
    __slots__ = ()


class _Lowest(_Extreme):
    COLUMNS = (
        ("known_s", Fold.SUM),
        ("lowest", Fold.LOWEST),
    )
    __slots__ = ()


class _Slope(_Covered):
    """All pieces but the newest are taken together until another is the newest, or one is gone."""

    # `time_sum` is of sample times, each relative to the beginning of its piece.
    COLUMNS = (
        ("known_s", Fold.SUM),
        ("samples", Fold.SUM),
        ("time_sum", Fold.SUM),
        ("value_sum", Fold.SUM),
    )
    __slots__ = ("_others", "_others_of")

    def __init__(self, call: WindowCall, state: Mapping[str, Any] | None = None) -> None:
        super().__init__(call, state)
        self._others, self._others_of = NO_POINTS, (0, 0)

    def _held(self, _value: Value, length_s: float) -> None:
        self._pieces.add(0, length_s)

    def _come(self, at: float, value: Value) -> None:
        number = self._begin(at)
        self._pieces.add(1, 1.0)
        self._pieces.add(2, at - number * self._width_s)
        self._pieces.add(3, _number_of(value))

    def _value(self, _at: float) -> Value:
        if not self._is_covered():
            return None
        numbers = self._pieces.numbers
        first, last = numbers[0], len(numbers) - 1
        if self._others_of != (first, numbers[last]):
            self._others_of = first, numbers[last]
            self._others = NO_POINTS
            for index in range(last):
                self._others = self._with(self._others, index)
        slope = slope_per_s(self._with(self._others, last))
        return None if slope is None else slope * SECONDS_A_DAY

    def _with(self, points: Points, index: int) -> Points:
        """Points, and that of a piece, if it has a sample."""
        pieces, first = self._pieces, self._pieces.numbers[0]
        samples = pieces.column(1)[index]
        if not samples:
            return points
        time_s = (pieces.numbers[index] - first) * self._width_s + pieces.column(2)[index] / samples
        return with_point(points, samples, time_s, pieces.column(3)[index] / samples)


class _Count(Window):
    """Only pieces with a rise are kept: of what was never seen in the window nothing is counted."""

    COLUMNS = (("rises", Fold.SUM),)
    NEWEST = "known_s"
    __slots__ = ("_is_behind",)

    def __init__(self, call: WindowCall, state: Mapping[str, Any] | None = None) -> None:
        super().__init__(call, state)
        self._is_behind = False  # whether `_newest` is to be brought up to `_last_at`

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which a window goes on."""
        self._catch_up()
        return super().snapshot()

    def update(self, at: float, value: Value) -> None:
        """Take the value as of `at`."""
        self._catch_up()
        super().update(at, value)

    def value(self, at: float) -> Value:
        """How often it became true."""
        self._catch_up()
        return super().value(at)

    def taken(self, at: float, value: Value) -> Value:
        """What is false all the time needs nothing but the time: no piece has a rise."""
        last_at = self._last_at
        if (
            value is False
            and self._last is False
            and last_at is not None
            and at > last_at
            and not self._pieces.numbers
        ):
            self._last_at, self._is_behind = at, True
            return 0.0
        return super().taken(at, value)

    def _catch_up(self) -> None:
        if self._is_behind and self._last_at is not None:
            self._is_behind = False
            self._newest_known(self._last_at)

    def _hold(self, _value: Value, _begin: float, end: float) -> None:
        self._newest_known(end)

    def _come(self, at: float, value: Value) -> None:
        if value is True and self._known is False:
            self._begin(at)
            self._pieces.add(0, 1.0)

    def _value(self, _at: float) -> Value:
        is_seen = self._last is not None or self._newest is not None
        return self._pieces.whole(0) if is_seen else None


class _Elapsed(Window):
    """Only pieces in which it was true are kept."""

    COLUMNS = (("true_s", Fold.SUM),)
    NEWEST = "known_s"
    __slots__ = ()

    def _hold(self, value: Value, begin: float, end: float) -> None:
        self._newest_known(end)
        if value is True:
            super()._hold(value, begin, end)

    def _held(self, _value: Value, length_s: float) -> None:
        self._pieces.add(0, length_s)

    def _value(self, at: float) -> Value:
        if self._last is None and self._newest is None:
            return None
        running = at - self._last_at if self._last is True and self._last_at is not None else 0.0
        return min(self.call.span_s, self._pieces.whole(0) + running)


class _Changed(_Covered):
    COLUMNS = (("known_s", Fold.SUM),)
    NEWEST = "changes"
    __slots__ = ()

    def _held(self, _value: Value, length_s: float) -> None:
        self._pieces.add(0, length_s)

    def _come(self, at: float, value: Value) -> None:
        if self._known is not None and value != self._known:
            self._newest = self._number(at)

    def _value(self, at: float) -> Value:
        if self._newest is not None:
            return True
        whole = self._first_at is not None and at - self._first_at >= self.call.span_s
        return False if whole and self._is_covered() else None


class _Since(Window):
    __slots__ = ("_last_true_at",)

    def __init__(self, call: WindowCall, state: Mapping[str, Any] | None = None) -> None:
        super().__init__(call, state)
        self._last_true_at: float | None = state["last_true_at"] if state is not None else None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which a window goes on."""
        return {**super().snapshot(), "last_true_at": self._last_true_at}

    def _hold(self, value: Value, _begin: float, end: float) -> None:
        if value is True:
            self._last_true_at = end

    def _come(self, at: float, value: Value) -> None:
        if value is True:
            self._last_true_at = at

    def _value(self, at: float) -> Value:
        if self._last is True:
            return 0.0
        if self._last_true_at is None or at - self._last_true_at > self.call.span_s:
            return None
        return at - self._last_true_at


_KINDS: dict[str, type[Window]] = {
    "mean": _Mean,
    "highest": _Highest,
    "lowest": _Lowest,
    "slope": _Slope,
    "count": _Count,
    "changed": _Changed,
    "elapsed": _Elapsed,
    "since": _Since,
}


def window_of(call: WindowCall, state: Mapping[str, Any] | None = None) -> Window:
    """The window of a call, going on from its snapshot."""
    return _KINDS[call.function](call, state)


def _number_of(value: Value) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _frozen(value: Any) -> Value:
    # A snapshot that went through JSON has lists where there were tuples.
    return tuple(value) if isinstance(value, list) else value
