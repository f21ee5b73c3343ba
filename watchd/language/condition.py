"""An expression with the windows that it needs, at work on one subject."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watchd.figures import Value
from watchd.language.expression import Expression
from watchd.language.windows import Window, window_of

# Of most conditions, and there are many: they share it.
NO_WINDOWS: tuple[Window, ...] = ()
NO_VALUES: list[Value] = []


class Condition:
    """Evaluates an expression as time goes on. `state` is a snapshot of the same expression."""

    __slots__ = ("_expression", "_values", "_windows")

    def __init__(self, expression: Expression, state: list[Any] | None = None) -> None:
        self._expression = expression
        self._values, self._windows = NO_VALUES, NO_WINDOWS
        if expression.calls:
            known = state if state is not None else [None] * len(expression.calls)
            calls = zip(expression.calls, known, strict=True)
            self._windows = tuple(window_of(call, saved) for call, saved in calls)
            self._values = [None] * len(expression.calls)

    @property
    def expression(self) -> Expression:
        """What it evaluates."""
        return self._expression

    def snapshot(self) -> list[Any]:
        """Plain data from which the windows go on."""
        return [w.snapshot() for w in self._windows]

    def update(self, at: float, figures: Mapping[str, Value]) -> Any:
        """Take the figures as of `at`; the value of the expression, None for unknown."""
        if self._windows:
            self.fill(at, figures)
        return self._expression.evaluate(figures, self._values)

    def fill(self, at: float, figures: Mapping[str, Value]) -> None:
        """Take the figures as of `at` into the windows, and no more."""
        for index, window in enumerate(self._windows):
            self._values[index] = window.taken(at, window.call.inner(figures))

    def value(self, figures: Mapping[str, Value]) -> Any:
        """The value of the expression with the windows as they are; None for unknown."""
        return self._expression.evaluate(figures, self._values)

    def windows(self) -> dict[str, Value]:
        """The newest value of each window, by the text of its call."""
        calls = zip(self._expression.calls, self._values, strict=True)
        return {call.text: value for call, value in calls}

    def unknown(self, figures: Mapping[str, Value]) -> tuple[str, ...]:
        """The names in the expression that are not known, and the windows withheld as yet."""
        names = [n for n in self._expression.names if figures.get(n) is None]
        if not names:
            calls = zip(self._expression.calls, self._values, strict=True)
            names = [call.text for call, value in calls if value is None]
        return tuple(names)
