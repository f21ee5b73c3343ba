"""The names that the conditions of these tests use, and short ways to put a condition to work."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from watchd.figures import Figure, Kind, Value, number, text, yes_no
from watchd.language.condition import Condition
from watchd.language.expression import Expression, ExpressionError, compile_expression

FIGURES: dict[str, Figure] = {
    figure.name: figure
    for figure in (
        number("voltage_v", "v", "voltage of the pack"),
        number("cell_max_v", "v", "voltage of the highest cell"),
        number("cell_spread_mv", "mv", "highest minus lowest cell"),
        number("current_a", "a", "current, charge positive"),
        number("nameplate_ah", "ah", "nameplate capacity"),
        number("soc_pct", "pct", "state of charge"),
        number("since_full_h", "h", "time since the last full charge"),
        number("telemetry_age_s", "s", "age of the oldest measurement"),
        number("full_count", "", "full charges so far"),
        yes_no("charge_allowed", "whether the BMS lets the pack charge"),
        yes_no("protection_trip", "whether a protection has acted"),
        text("telemetry_quality", "quality", ("good", "bad", "stale")),
        text("trip_events", "the events behind the last trip"),
        Figure("protection", "", Kind.WORDS, "protection events present now"),
    )
}
UNKNOWN: dict[str, Value] = dict.fromkeys(FIGURES)


def compiled(condition: str, want: Kind | None = None, **deadband: float) -> Expression:
    """A condition or amount of any kind."""
    return compile_expression(condition, FIGURES, want=want, deadband=deadband)


def value_of(condition: str, given: Mapping[str, Value] | None = None, **figures: Value) -> Any:
    """What a condition without windows makes of some figures; the rest are unknown."""
    return compiled(condition).evaluate({**UNKNOWN, **(given or {}), **figures}, ())


def refusal(condition: str, want: Kind | None = None, **deadband: float) -> ExpressionError:
    """Why a condition is not taken."""
    with pytest.raises(ExpressionError) as caught:
        compiled(condition, want, **deadband)
    return caught.value


class Watched:
    """A condition with windows, as time goes on."""

    def __init__(self, condition: str) -> None:
        self.condition = Condition(compiled(condition))

    def at(self, at: float, **figures: Value) -> Any:
        """What it is when these figures come."""
        return self.condition.update(at, {**UNKNOWN, **figures})
