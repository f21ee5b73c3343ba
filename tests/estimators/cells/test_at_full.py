"""Where the cells stood at full: known only from there, and kept until it is full again."""

from __future__ import annotations

import json

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.cells.at_full import AtFull
from watchd.figures import Figures

NAMES = ("cell_max_at_full_v", "cell_mean_at_full_v", "cell_min_at_full_v")


class Top:
    """A pack that is full, or is not."""

    def __init__(self, charge_voltage_v: float = 56.0) -> None:
        self.cells = AtFull(setting(charge_voltage_v=charge_voltage_v))
        self.seconds = 0.0
        self.figures: Figures = {}

    def stands(
        self,
        highest: float | None,
        mean: float = 3.5,
        lowest: float = 3.49,
        *,
        full: bool = True,
        seconds: float = 10.0,
    ) -> Top:
        self.seconds += seconds
        self.figures |= {
            "cell_max_v": highest,
            "cell_mean_v": mean,
            "cell_min_v": lowest,
            "since_full_h": 0.0 if full else None,
        }
        self.cells.update(sample(self.seconds), self.figures)
        return self

    def seen(self) -> tuple[object, ...]:
        return tuple(self.figures[name] for name in NAMES)


def test_unknown_until_the_pack_was_full() -> None:
    assert Top().stands(3.52, full=False).seen() == (None, None, None)


def test_unknown_without_cells() -> None:
    assert Top().stands(None).seen() == (None, None, None)


def test_it_is_kept_when_the_pack_is_full_no_more() -> None:
    top = Top().stands(3.52)
    assert top.stands(3.33, 3.32, 3.31, full=False, seconds=80_000).seen() == (3.52, 3.5, 3.49)


def test_a_mean_of_the_last_minutes_forgets_what_was_before() -> None:
    top = Top().stands(3.52)
    for _ in range(30):
        top.stands(3.53)
    assert 3.525 < top.seen()[0] < 3.53  # type: ignore[operator]
    for _ in range(300):
        top.stands(3.53)
    assert top.seen()[0] == pytest.approx(3.53, abs=1e-4)


def test_the_next_full_charge_begins_anew() -> None:
    top = Top().stands(3.52)
    top.stands(3.33, full=False, seconds=40_000)
    assert top.stands(3.55, seconds=40_000).seen()[0] == 3.55


def test_another_charge_voltage_begins_anew() -> None:
    top = Top().stands(3.52)
    saved = json.loads(json.dumps(top.cells.snapshot()))
    for volts, known in ((56.0, 3.52), (55.2, None)):
        again = Top()
        again.cells = AtFull(setting(charge_voltage_v=volts), saved)
        assert again.stands(3.33, full=False).seen()[0] == known
