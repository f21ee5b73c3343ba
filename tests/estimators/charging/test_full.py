"""When a pack is full, for how long it stays so, and what it does otherwise."""

from __future__ import annotations

import json
from collections.abc import Iterable

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.charging.full import AT_REST_C_RATE, CHARGE_STATES, SPENT, Full
from watchd.figures import Figures
from watchd.language.expression import ExpressionError

NAMEPLATE_AH = 200.0
HOLD_S = 300.0
FULL_WHEN = "voltage_v >= 55.9 and current_a < 0.05 * nameplate_ah"
# One step of what a pack does: what it shows. ABSORBING is full by FULL_WHEN.
Shown = tuple[float | None, float | None]
ABSORBING: Shown = (56.0, 4.0)
BULK: Shown = (54.0, 60.0)
SILENT: Shown = (None, None)


class Watched:
    """A pack whose charge is followed; time goes on by itself."""

    def __init__(self, full_when: str = FULL_WHEN, hold_s: float = HOLD_S) -> None:
        self.full_when, self.hold_s = full_when, hold_s
        self.figures: Figures = {"nameplate_ah": NAMEPLATE_AH, "undervoltage_v": 2.6}
        self.now = 0.0
        self.full = self._watch(None)

    def _watch(self, state: dict[str, object] | None) -> Full:
        told = setting(full_when=self.full_when, full_hold_s=self.hold_s, nameplate_ah=NAMEPLATE_AH)
        return Full(told, state)

    def restart(self) -> None:
        self.full = self._watch(json.loads(json.dumps(self.full.snapshot())))
        self.figures = {n: self.figures[n] for n in ("nameplate_ah", "undervoltage_v")}

    def see(self, shown: Shown, *, cell_min_v: float | None = 3.3) -> Watched:
        """One sample now."""
        volts, amps = shown
        self.figures.update(voltage_v=volts, current_a=amps, cell_min_v=cell_min_v)
        self.full.update(sample(self.now, voltage_v=volts, current_a=amps), self.figures)
        return self

    def run(self, shown: Shown, *, minutes: float, every_s: float = 10.0) -> Watched:
        """See the same for so long, to the end of it."""
        end = self.now + minutes * 60
        while self.now < end:
            self.see(shown)
            self.now = min(end, self.now + every_s)
        return self.see(shown)

    def state(self) -> object:
        return self.figures["charge_state"]

    def count(self) -> object:
        return self.figures["full_count"]

    def since_full_h(self) -> object:
        return self.figures["since_full_h"]


def states(shown: Iterable[Shown]) -> list[object]:
    return [Watched().see(one).state() for one in shown]


def test_full_needs_its_condition_for_the_whole_hold() -> None:
    alder = Watched().run(ABSORBING, minutes=4.99)
    assert (alder.state(), alder.count(), alder.since_full_h()) == ("CHARGING", 0, None)
    alder.now = HOLD_S
    alder.see(ABSORBING)
    assert (alder.state(), alder.count(), alder.since_full_h()) == ("FULL", 1, 0)


def test_one_sample_makes_no_pack_full() -> None:
    alder = Watched().run(BULK, minutes=10).see(ABSORBING)
    alder.now += 10
    alder.run(BULK, minutes=10)
    assert (alder.state(), alder.count()) == ("CHARGING", 0)


def test_a_break_begins_the_hold_anew() -> None:
    alder = Watched().run(ABSORBING, minutes=4)
    alder.now += 5
    alder.see(BULK)
    alder.now += 5
    alder.run(ABSORBING, minutes=4.9)
    assert alder.count() == 0
    alder.run(ABSORBING, minutes=0.2)
    assert alder.count() == 1


def test_unknown_during_the_hold_neither_counts_nor_begins_anew() -> None:
    alder = Watched().run(ABSORBING, minutes=3)
    alder.now += 10
    alder.run(SILENT, minutes=60)
    assert (alder.state(), alder.count()) == (None, 0)
    alder.now += 10
    alder.run(ABSORBING, minutes=1.5)
    assert alder.count() == 0
    alder.run(ABSORBING, minutes=0.5)
    assert alder.count() == 1


def test_silence_after_one_sample_makes_no_pack_full() -> None:
    alder = Watched().see(ABSORBING)
    alder.now += 60
    alder.run(SILENT, minutes=600)
    assert alder.count() == 0


def test_without_a_hold_it_is_full_at_once() -> None:
    assert Watched(hold_s=0.0).see(ABSORBING).state() == "FULL"


def full_pack() -> Watched:
    return Watched().run(ABSORBING, minutes=10)


def test_a_full_pack_that_rests_stays_full() -> None:
    alder = full_pack().run((53.6, 0.0), minutes=600, every_s=60)
    assert (alder.state(), alder.count()) == ("FULL", 1)


def test_it_stays_full_until_more_than_a_hundredth_of_its_capacity_is_spent() -> None:
    alder = full_pack()
    alder.now += 10
    alder.see((53.0, -120.0))
    alder.now += 60  # at 120 A for a minute, 2 Ah of 200 Ah
    assert alder.see((53.0, -120.0)).state() == "FULL"
    alder.now += 1
    assert alder.see((53.0, -120.0)).state() == "DISCHARGING"
    assert alder.count() == 1


def test_what_flows_back_counts_against_what_was_spent() -> None:
    alder = full_pack()
    for _ in range(20):
        alder.now += 10
        alder.run((53.0, -10.0), minutes=8)
        alder.now += 10
        alder.run((54.0, 12.0), minutes=8)
    assert (alder.state(), alder.count()) == ("FULL", 1)


def test_a_full_pack_takes_nothing_on_credit() -> None:
    alder = full_pack()
    alder.now += 10
    alder.run((54.0, 12.0), minutes=60)
    alder.now += 10
    alder.run((53.0, -10.0), minutes=13)
    assert alder.state() == "DISCHARGING"


def test_a_gap_in_telemetry_spends_nothing() -> None:
    alder = full_pack()
    alder.now += 10
    alder.see((53.0, -150.0))
    alder.now += 61  # longer than a measurement counts as fresh: 2.5 Ah that nobody saw flow
    assert alder.see((53.0, -150.0)).state() == "FULL"
    alder.now += 60
    assert alder.see((53.0, -150.0)).state() == "DISCHARGING"


def test_unknown_current_leaves_the_state_unknown_and_the_pack_full() -> None:
    alder = full_pack()
    alder.now += 10
    assert alder.see((53.0, None)).state() is None
    alder.now += 10
    assert alder.see((53.0, -1.0)).state() == "FULL"


def test_full_again_counts_again() -> None:
    alder = full_pack()
    counts = []
    for _ in range(3):
        alder.now += 10
        alder.run((53.0, -20.0), minutes=30)
        alder.now += 10
        alder.run(ABSORBING, minutes=20)
        counts.append((alder.state(), alder.count()))
    assert counts == [("FULL", 2), ("FULL", 3), ("FULL", 4)]


def test_time_since_full_runs_from_its_last_moment() -> None:
    alder = full_pack()
    assert alder.since_full_h() == 0
    alder.now += 10
    alder.run((53.0, -20.0), minutes=90)
    hours = alder.since_full_h()
    assert isinstance(hours, float)
    assert hours == pytest.approx(1.5 + 10 / 3600, abs=1e-4)


def test_a_restart_changes_nothing() -> None:
    told = []
    drain = (53.0, -60.0)
    day = ((BULK, 5), (ABSORBING, 20), (SILENT, 4), (ABSORBING, 25), (drain, 20), (BULK, 3))
    for with_restarts in (False, True):
        alder, seen = Watched(), []
        for shown, samples in day:
            for _ in range(samples):
                if with_restarts:
                    alder.restart()
                alder.now += 10
                alder.see(shown)
                seen.append((alder.state(), alder.count(), alder.since_full_h()))
        told.append(seen)
    assert told[0] == told[1]
    assert ("FULL", 1, 0) in told[0]
    assert told[0][-4][:2] == ("DISCHARGING", 1)


def test_another_definition_begins_its_hold_anew_and_keeps_what_was_counted() -> None:
    alder = full_pack()
    alder.now += 10
    alder.run((53.0, -20.0), minutes=30)
    alder.now += 10
    alder.run(ABSORBING, minutes=4)
    alder.full_when = "voltage_v >= 55.8"
    alder.restart()
    alder.now += 10
    alder.run(ABSORBING, minutes=4)
    assert (alder.state(), alder.count()) == ("CHARGING", 1)
    alder.run(ABSORBING, minutes=1)
    assert (alder.state(), alder.count()) == ("FULL", 2)


@pytest.mark.parametrize("name", ["since_full_h", "full_count", "soc_estimate_pct", "capacity_ah"])
def test_a_definition_cannot_rest_on_itself_or_on_what_comes_of_it(name: str) -> None:
    with pytest.raises(ExpressionError, match=f"unknown name '{name}'"):
        setting(full_when=f"voltage_v >= 55.9 and {name} > 1")


REST_A = AT_REST_C_RATE * NAMEPLATE_AH


@pytest.mark.parametrize(
    ("what", "amps", "cell_min_v", "state"),
    [
        ("charging", 60.0, 3.3, "CHARGING"),
        ("discharging", -60.0, 3.2, "DISCHARGING"),
        ("at rest", 0.0, 3.3, "HOLDING"),
        ("a sensor's offset, charge", REST_A, 3.3, "HOLDING"),
        ("a sensor's offset, discharge", -REST_A, 3.3, "HOLDING"),
        ("just more, charge", REST_A + 0.01, 3.3, "CHARGING"),
        ("just more, discharge", -REST_A - 0.01, 3.3, "DISCHARGING"),
        ("a cell at under-voltage", -60.0, 2.6, "EMPTY"),
        ("a cell just above it", -60.0, 2.601, "DISCHARGING"),
        ("empty and at rest", 0.0, 2.5, "EMPTY"),
        ("empty, and the charge begins", 20.0, 2.5, "EMPTY"),
        ("cells unknown", -60.0, None, "DISCHARGING"),
        ("current unknown", None, 3.3, None),
        ("current unknown, a cell at under-voltage", None, 2.5, None),
    ],
)
def test_charge_state(
    what: str, amps: float | None, cell_min_v: float | None, state: str | None
) -> None:
    alder = Watched().see((53.0, amps), cell_min_v=cell_min_v)
    assert alder.state() == state, what
    assert state is None or state in CHARGE_STATES


def test_full_goes_before_the_rest() -> None:
    alder = full_pack()
    shown = [alder.see((53.0, amps), cell_min_v=2.5).state() for amps in (20.0, 0.0, -20.0)]
    assert shown == ["FULL", "FULL", "FULL"]


def test_the_numbers_of_these_tests() -> None:
    # 1 % of 200 Ah is the 2 Ah that the tests spend, 0.5 % of it the ampere of a sensor's offset.
    assert (SPENT * NAMEPLATE_AH, REST_A) == (2.0, 1.0)
    assert states([BULK, SILENT]) == ["CHARGING", None]
