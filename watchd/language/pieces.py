"""The pieces of time that a window is cut into, with a few numbers for each."""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterable, Sequence
from enum import Enum
from itertools import accumulate
from typing import Any


class Fold(Enum):
    """How the numbers of pieces go together, and what a piece begins with."""

    SUM = 0.0
    HIGHEST = float("-inf")
    LOWEST = float("inf")


class Pieces:
    """Pieces into which something fell, oldest first, with a column of numbers for each fold.

    The newest grows. What the others come to is kept until one of them is dropped, so that a look
    costs the same however many there are; it is reckoned from the oldest on, as one sum over all.
    """

    __slots__ = ("_before", "_columns", "_folds", "_stale", "numbers")

    def __init__(self, folds: Sequence[Fold], rows: Iterable[Sequence[Any]] = ()) -> None:
        self._folds = tuple(folds)
        self.numbers = array("q")
        self._columns = tuple(array("d") for _ in folds)
        self._before: list[float] = [fold.value for fold in folds]
        self._stale = False
        for number, *values in rows:
            self.begin(number)
            for column, value in zip(self._columns, values, strict=True):
                column[-1] = value

    def rows(self) -> list[list[Any]]:
        """Plain data: each piece with its number and its columns."""
        return [list(row) for row in zip(self.numbers, *self._columns, strict=True)]

    def begin(self, number: int) -> None:
        """The newest piece is `number` from now on, unless it is already."""
        if self.numbers:
            if self.numbers[-1] >= number:
                return
            for index, column in enumerate(self._columns):
                self._before[index] = _folded(self._folds[index], self._before[index], column[-1])
        self.numbers.append(number)
        for fold, column in zip(self._folds, self._columns, strict=True):
            column.append(fold.value)

    def drop(self, oldest: int) -> bool:
        """Forget the pieces up to the number `oldest`; whether there were any."""
        if not self.numbers or self.numbers[0] > oldest:
            return False
        gone = sum(1 for number in self.numbers if number <= oldest)
        del self.numbers[:gone]
        for column in self._columns:
            del column[:gone]
        self._stale = True
        return True

    def add(self, index: int, value: float) -> None:
        """Add to a column of the newest piece, or raise or lower its extreme."""
        column = self._columns[index]
        column[-1] = _folded(self._folds[index], column[-1], value)

    def whole(self, index: int) -> float:
        """What a column comes to over all pieces."""
        fold, column = self._folds[index], self._columns[index]
        if not column:
            return fold.value
        if self._stale:
            self._renew()
        return _folded(fold, self._before[index], column[-1])

    def column(self, index: int) -> Sequence[float]:
        """A column, oldest first."""
        return self._columns[index]

    def _renew(self) -> None:
        for index, fold in enumerate(self._folds):
            others = self._columns[index][:-1]
            if fold is Fold.SUM:
                # One after the other, as `begin` does: `sum` is exacter from Python 3.12 on.
                last = deque(accumulate(others), maxlen=1)
                self._before[index] = last[0] if last else 0.0
            elif fold is Fold.HIGHEST:
                self._before[index] = max(others, default=fold.value)
            else:
                self._before[index] = min(others, default=fold.value)
        self._stale = False


def _folded(fold: Fold, one: float, other: float) -> float:
    if fold is Fold.SUM:
        return one + other
    return max(one, other) if fold is Fold.HIGHEST else min(one, other)
