"""How packs on one bus share the current: against capacity, against their own past."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.bank.sharing import Sharing
from watchd.estimators.charging.charge import Charge
from watchd.estimators.estimator import Bus, Estimator
from watchd.figures import Figures, Value

STEP_S = 20.0


class Bank:
    """Packs on one bus, by their nameplate capacities; each tells its current every 20 s."""

    def __init__(self, *, restarts: bool = False, **nameplate_ah: float) -> None:
        self.nameplate_ah = nameplate_ah
        self.restarts, self.seconds = restarts, 0.0
        self.figures: dict[str, Figures] = {}
        self.saved: dict[str, list[dict[str, object]]] = {}
        self.begin()

    def begin(self) -> None:
        """Begin, or go on from what was saved."""
        bus = Bus()
        self.figures = {name: {} for name in self.nameplate_ah}
        self.packs: dict[str, list[Estimator]] = {}
        for name, ah in self.nameplate_ah.items():
            own = setting(name=name, bus=bus, nameplate_ah=ah)
            charge, sharing = self.saved.get(name, (None, None))
            self.packs[name] = [Charge(own, charge), Sharing(own, sharing)]

    def restart(self) -> None:
        found = {name: [e.snapshot() for e in pack] for name, pack in self.packs.items()}
        self.saved = json.loads(json.dumps(found))
        self.begin()

    def run(
        self,
        hours: float,
        amps: Mapping[str, float | None],
        high_v: float = 3.34,
        state: str = "CHARGING",
        frozen: str = "",
    ) -> None:
        """Hours of a current of each pack; `high_v` is the highest cell of each.

        The bridge of the pack `frozen` repeats itself.
        """
        for step in range(round(hours * 3600.0 / STEP_S)):
            if self.restarts and step % 4 == 1:
                self.restart()
            for offset, (name, now) in enumerate(amps.items()):
                renewed = frozenset({"current_a"}) if now is not None else frozenset()
                moment = sample(self.seconds + offset, current_a=now, renewed=renewed)
                figures = self.figures[name]
                figures |= {"cell_max_v": high_v, "charge_state": state}
                figures["telemetry_frozen"] = name == frozen
                for estimator in self.packs[name]:
                    estimator.update(moment, figures)
            self.seconds += STEP_S

    def days(self, count: float, amps: Mapping[str, float]) -> None:
        """Days of eight hours of charge, eight of rest and eight of discharge."""
        for _ in range(round(count * 24)):
            phase = int(self.seconds // 3600) % 24 // 8
            sign = (1.0, 0.0, -1.0)[phase]
            self.run(1, {name: sign * a for name, a in amps.items()})

    def __call__(self, name: str, figure: str) -> Value:
        return self.figures[name][figure]


def millman(source_v: list[float], ohm: list[float], amps: float) -> list[float]:
    """Currents of sources in parallel (Millman's theorem)."""
    whole = sum(1 / r for r in ohm)
    bus_v = (amps + sum(v / r for v, r in zip(source_v, ohm, strict=True))) / whole
    return [(bus_v - v) / r for v, r in zip(source_v, ohm, strict=True)]


def test_the_share_is_that_of_the_currents() -> None:
    """R 10 and 12 mOhm at 100 A: 54.545 and 45.455 A."""
    alder, birch = millman([53.2, 53.2], [0.010, 0.012], 100.0)
    assert alder == pytest.approx(54.545, abs=1e-3)
    assert birch == pytest.approx(45.455, abs=1e-3)
    bank = Bank(alder=280, birch=280)
    bank.run(24, {"alder": alder, "birch": birch})
    assert bank("alder", "share_pct") == pytest.approx(54.545, abs=1e-3)
    assert bank("birch", "share_pct") == pytest.approx(45.455, abs=1e-3)
    assert bank("birch", "share_expected_pct") == 50.0


def test_what_flows_against_the_bank_counts_against_the_pack() -> None:
    bank = Bank(alder=280, birch=280)
    bank.run(24, {"alder": 65.0, "birch": -5.0})
    assert bank("birch", "share_pct") == pytest.approx(-100 * 5 / 60)
    assert bank("alder", "share_pct") == pytest.approx(100 * 65 / 60)


def test_what_circulates_at_rest() -> None:
    """53.2, 53.2 and 52.9 V behind 10, 10 and 15 mOhm, no load: -7.5, -7.5 and +15 A."""
    found = millman([53.2, 53.2, 52.9], [0.010, 0.010, 0.015], 0.0)
    amps = dict(zip(("alder", "birch", "cedar"), found, strict=True))
    bank = Bank(alder=280, birch=280, cedar=280)
    bank.run(0.1, amps)
    for name, expected in {"alder": -7.5, "birch": -7.5, "cedar": 15.0}.items():
        assert bank(name, "circulating_a") == pytest.approx(expected, abs=1e-6)
    # The bank is not at rest: there is nothing to tell it from.
    bank.run(0.1, {name: a + 20 for name, a in amps.items()})
    assert bank("cedar", "circulating_a") is None


def test_its_part_of_a_small_load_does_not_circulate() -> None:
    bank = Bank(alder=300, birch=100)
    bank.run(0.1, {"alder": -1.5, "birch": -0.5})
    assert bank("birch", "circulating_a") == pytest.approx(0.0, abs=1e-9)


def test_a_day_is_needed_first() -> None:
    bank = Bank(alder=200, birch=200)
    bank.run(12, {"alder": 30.0, "birch": 30.0})
    assert bank("alder", "share_pct") is None
    bank.run(9, {"alder": 30.0, "birch": 30.0})
    assert bank("alder", "share_pct") == pytest.approx(50.0)


def test_a_day_of_rest_says_nothing() -> None:
    bank = Bank(alder=200, birch=200)
    bank.run(24, {"alder": 1.0, "birch": 0.0})
    assert bank("alder", "share_pct") is None


def test_the_share_is_that_of_the_last_day() -> None:
    bank = Bank(alder=200, birch=200)
    bank.days(3, {"alder": 30.0, "birch": 30.0})
    bank.days(1, {"alder": 40.0, "birch": 20.0})
    assert bank("birch", "share_pct") == pytest.approx(100 / 3, abs=0.7)


def test_an_offset_of_the_sensor_cancels() -> None:
    """4 A too much all day: 240 Ah in and 240 out each day of the bank stay 50 % each."""
    bank = Bank(alder=200, birch=200)
    for _ in range(24):
        sign = 1.0 if int(bank.seconds // 3600) % 2 else -1.0
        bank.run(1, {"alder": sign * 20.0 + 4.0, "birch": sign * 20.0})
    assert bank("alder", "share_pct") == pytest.approx(50.0, abs=0.5)


def test_its_own_past_is_known_after_a_week_and_follows_slowly() -> None:
    even, uneven = {"alder": 30.0, "birch": 30.0}, {"alder": 40.0, "birch": 20.0}
    bank = Bank(alder=200, birch=200)
    bank.days(6.9, even)
    assert bank("birch", "share_usual_pct") is None
    bank.days(1.1, even)
    assert bank("birch", "share_usual_pct") == pytest.approx(50.0)
    bank.days(2, uneven)
    usual = bank("birch", "share_usual_pct")
    assert isinstance(usual, float)
    assert 45.0 < usual < 49.0
    assert bank("birch", "share_pct") == pytest.approx(100 / 3, abs=0.7)


def test_a_pack_more_is_another_bank() -> None:
    bank = Bank(alder=200, birch=200)
    bank.days(8, {"alder": 30.0, "birch": 30.0})
    bank.nameplate_ah = {**bank.nameplate_ah, "cedar": 200}
    bank.restart()
    bank.run(1, {"alder": 20.0, "birch": 20.0, "cedar": 20.0})
    assert bank("alder", "share_expected_pct") == pytest.approx(100 / 3)
    assert bank("alder", "share_usual_pct") is None
    assert bank("alder", "share_pct") is None


def test_while_one_is_silent_the_shares_stand() -> None:
    bank = Bank(alder=200, birch=200)
    bank.days(1, {"alder": 30.0, "birch": 30.0})
    bank.run(10, {"alder": 60.0, "birch": None})
    assert bank("alder", "share_pct") == pytest.approx(50.0)
    assert bank("birch", "carries") is None


def test_a_bank_of_one_pack_has_all() -> None:
    bank = Bank(alder=200)
    bank.days(8, {"alder": 60.0})
    seen = {n: v for n, v in bank.figures["alder"].items() if n.startswith(("share", "carr"))}
    assert seen == {
        "share_pct": pytest.approx(100.0),
        "share_expected_pct": 100.0,
        "share_usual_pct": pytest.approx(100.0),
        "carries": None,
    }
    bank.run(0.1, {"alder": 0.5})
    assert bank("alder", "circulating_a") == pytest.approx(0.0)


def test_a_pack_that_carries_nothing_is_found_in_a_quarter_of_an_hour() -> None:
    bank = Bank(alder=200, birch=200, cedar=200)
    dead = {"alder": -25.0, "birch": -25.0, "cedar": 0.3}  # the sensor's offset
    bank.run(0.2, dead)
    assert bank("cedar", "carries") is None
    assert bank("alder", "carries") is True
    bank.run(0.15, dead)
    assert bank("cedar", "carries") is False
    bank.run(1, {"alder": -1.0, "birch": -1.0, "cedar": 0.3})
    assert bank("cedar", "carries") is None  # nobody carries
    bank.run(0.1, dead)
    assert bank("cedar", "carries") is False  # and it has not carried since
    bank.run(0.1, {"alder": -10.0, "birch": -10.0, "cedar": -10.0})
    assert bank("cedar", "carries") is True
    bank.run(0.2, dead)
    assert bank("cedar", "carries") is None


@pytest.mark.parametrize(
    ("others_a", "own_a", "carries"),
    [
        (10.1, 0.9, False),  # 0.05 of 200 Ah; 0.005 of 200 Ah
        (9.9, 0.9, None),
        (10.1, 1.1, True),
        (-10.1, -0.9, False),
        (-10.1, 0.9, False),
    ],
)
def test_the_limits_of_carrying(others_a: float, own_a: float, carries: bool | None) -> None:
    bank = Bank(alder=200, birch=200)
    bank.run(0.5, {"alder": others_a, "birch": own_a})
    assert bank("birch", "carries") is carries


def test_a_small_pack_has_a_sensor_like_any() -> None:
    bank = Bank(alder=50, birch=50)
    bank.run(0.5, {"alder": 5.0, "birch": 0.5})  # 0.01 C, and less than 0.6 A
    assert bank("birch", "carries") is False


@pytest.mark.parametrize(
    ("high_v", "state", "sign", "carries"),
    [
        (3.41, "CHARGING", 1, None),  # at the top of its charge
        (3.36, "FULL", 1, None),
        (3.36, "CHARGING", 1, False),
        (3.41, "DISCHARGING", -1, False),
        (3.36, "FULL", -1, False),  # full, and does not give
    ],
)
def test_a_full_pack_rightly_takes_nothing(
    high_v: float, state: str, sign: int, carries: bool | None
) -> None:
    bank = Bank(alder=200, birch=200)
    bank.run(0.5, {"alder": sign * 30.0, "birch": 0.0}, high_v, state)
    assert bank("birch", "carries") is carries


def test_a_frozen_neighbour_says_nothing_of_who_should_carry() -> None:
    bank = Bank(alder=280, birch=230)
    bank.run(1.0, {"alder": 60.0, "birch": 0.0}, frozen="alder")
    assert bank.figures["birch"]["carries"] is None
    assert bank.figures["alder"]["carries"] is None
    bank.run(1.0, {"alder": 60.0, "birch": 0.0})
    assert bank.figures["birch"]["carries"] is False


def test_a_restart_anywhere_changes_nothing() -> None:
    found = []
    for restarts in (False, True):
        bank = Bank(restarts=restarts, alder=200, birch=100)
        for hour in range(30):
            swing = math.sin(hour / 4)
            bank.run(0.8, {"alder": 40.0 * swing, "birch": 25.0 * swing + 1})
            bank.run(0.1, {"alder": 40.0 * swing, "birch": None})
            bank.run(0.1, {"alder": 1.0, "birch": -1.0})
        found.append((bank.figures, [p[1].snapshot() for p in bank.packs.values()]))
    assert found[0] == found[1]
