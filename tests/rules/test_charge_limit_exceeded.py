"""`charge-limit-exceeded` on a bank whose charger hears of the suggestion, or does not."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import pytest

from tests.rules.shipped_rules import RULES
from tests.scene import Scene, leading, pack

RULE, SUBJECT = "charge-limit-exceeded", "bank/hut"
EVERY_S = 5


class Hut:
    """Two packs, and a charger that gives 180 A unless it follows the suggestion."""

    def __init__(self, *, follows_after_s: float | None) -> None:
        self.scene = Scene((RULES[RULE],))
        self.heard: deque[float] = deque()
        self.late = None if follows_after_s is None else round(follows_after_s / EVERY_S)
        self.amps = 180.0
        self.limits: list[float | None] = []

    def run(self, minutes: float, lead_mv: Callable[[float], float]) -> Hut:
        """The lead of alder's seventh cell above 3.40 V as minutes go by."""
        for step in range(round(minutes * 60 / EVERY_S)):
            alder = pack(
                cell_v=leading(3.40, by_mv=lead_mv(step * EVERY_S / 60)), current_a=self.amps / 2
            )
            self.scene.run(seconds=EVERY_S, alder=alder, birch=pack(current_a=self.amps / 2))
            limit_a = self.scene.figures(SUBJECT)["charge_limit_a"]
            self.limits.append(limit_a)
            if limit_a is not None and self.late is not None:
                self.heard.append(limit_a)
                if len(self.heard) > self.late:
                    self.amps = min(180.0, self.heard.popleft())
        return self

    @property
    def was_raised(self) -> bool:
        return any(key == f"{RULE}/{SUBJECT}" for _, key, _ in self.scene.history())

    @property
    def is_raised(self) -> bool:
        return self.scene.raised(RULE, SUBJECT)


def steps(minutes: float) -> float:
    """Falls at once each ten minutes, and back between."""
    return 150.0 if minutes % 20 >= 10 else 0.0


def test_a_charger_that_follows_with_half_a_minute_is_not_told_of() -> None:
    hut = Hut(follows_after_s=30).run(60, steps)
    told = [a for a in hut.limits if a is not None]
    assert (min(told), max(told)) == (10, 200)  # it had to come down, and it did
    assert hut.amps == 10
    assert not hut.was_raised


def test_one_that_does_not_is() -> None:
    hut = Hut(follows_after_s=None).run(2, lambda _: 0.0)
    assert not hut.is_raised
    # Three minutes are waited, for a charger takes its time.
    hut.run(2.8, lambda _: 150.0)
    assert not hut.is_raised
    hut.run(0.7, lambda _: 150.0)
    assert hut.is_raised


def test_one_that_begins_to_follow_ends_it() -> None:
    hut = Hut(follows_after_s=None).run(2, lambda _: 0.0).run(6, lambda _: 70.0)
    assert hut.is_raised
    hut.late = 1
    hut.run(4, lambda _: 70.0)
    assert hut.is_raised
    assert hut.amps == pytest.approx(74, abs=0.2)
    hut.run(2, lambda _: 70.0)
    assert not hut.is_raised


def test_advice_that_is_withdrawn_leaves_the_state_as_it_is() -> None:
    def withdrawn(hut: Hut) -> None:
        # The cells are silent, the current is not: much flows, and nothing is suggested.
        for _ in range(round(8 * 60 / EVERY_S)):
            for name in ("alder", "birch"):
                hut.scene.feed(f"hut/{name}/amps", 90.0)
            hut.scene.run(seconds=EVERY_S)
        figures = hut.scene.figures(SUBJECT)
        assert (figures["charge_limit_a"], figures["current_a"]) == (None, 180)

    quiet = Hut(follows_after_s=None).run(2, lambda _: 0.0)
    withdrawn(quiet)
    assert not quiet.was_raised
    raised = Hut(follows_after_s=None).run(2, lambda _: 0.0).run(6, lambda _: 150.0)
    assert raised.is_raised
    withdrawn(raised)
    assert raised.is_raised
