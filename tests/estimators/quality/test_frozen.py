"""Values that repeat though the current says that they must move, and those that may."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.estimators.moment import sample, setting
from tests.scene import Scene
from tests.scene import pack as sent
from watchd.estimators.cells.extremes import Extremes
from watchd.estimators.charging.charge import Charge
from watchd.estimators.quality.frozen import Frozen
from watchd.figures import Figures
from watchd.loading import load_rules, shipped

ALL = frozenset({"cell_v", "current_a", "soc_pct", "voltage_v"})
MINUTE, HOUR = 60.0, 3600.0
PATH_OHM = 0.0004


class Watched:
    """A pack of 200 Ah through `Frozen` and what it rests on."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        known, told = saved or {}, setting(max_discharge_a=150.0)
        self.charge = Charge(told, known.get("charge"))
        self.frozen = Frozen(told, known.get("frozen"))
        self.cells, self.at = Extremes(told), known.get("at", 0.0)
        self.figures: Figures = {}

    def snapshot(self) -> dict[str, Any]:
        parts = {"charge": self.charge.snapshot(), "frozen": self.frozen.snapshot(), "at": self.at}
        found: dict[str, Any] = json.loads(json.dumps(parts))
        return found

    def look(self, **known: Any) -> Figures:
        now = sample(self.at, **{"renewed": ALL, **known})
        for estimator in (self.cells, self.charge, self.frozen):
            estimator.update(now, self.figures)
        return dict(self.figures)

    def run(
        self, lasting_s: float, pack: Callable[[float], dict[str, Any]], every_s: float = 10.0
    ) -> Figures:
        """Samples of `pack`, which is told the seconds since the beginning of this run."""
        figures: Figures = {}
        for step in range(round(lasting_s / every_s) + 1):
            figures = self.look(**pack(step * every_s))
            self.at += every_s
        return figures


def cells(amps: float, ocv: float = 3.30, spread_v: float = 0.004) -> tuple[float, ...]:
    """Extremes of 0.4 mOhm, to the mV."""
    return tuple(round(ocv + spread_v * no / 16 + PATH_OHM * amps, 3) for no in range(16))


def load(seconds: float) -> float:
    """A kettle now and then."""
    return -60.0 if seconds % 1200 > 1000 else -5.0


def healthy(seconds: float) -> dict[str, Any]:
    amps = load(seconds)
    soc = 60 - seconds * 12 / HOUR / 2
    return {"cell_v": cells(amps), "current_a": amps, "soc_pct": float(round(soc))}


def what(figures: Figures) -> str:
    found = figures["telemetry_frozen_what"]
    assert isinstance(found, str)
    assert figures["telemetry_frozen"] is (found != "none")
    return found


def test_what_moves_is_not_frozen() -> None:
    assert what(Watched().run(5 * HOUR, healthy)) == "none"


def test_cells_that_do_not_follow_the_current_are_frozen() -> None:
    pack = Watched()
    pack.run(10 * MINUTE, healthy)
    stuck = {"cell_v": cells(-5.0), "soc_pct": 59.0}
    assert what(pack.run(15 * MINUTE, lambda _: {**stuck, "current_a": -5.0})) == "none"
    # 0.1 C of 200 Ah. Three renewals and two minutes are wanted.
    assert what(pack.run(110, lambda _: {**stuck, "current_a": -25.0})) == "none"
    found = what(pack.run(0, lambda _: {**stuck, "current_a": -25.0}))
    # The first ten minutes had the same load and so the same cells.
    assert (
        found == "cell voltages unchanged for 27 min while the current went from -5.0 A to -25.0 A"
    )


def test_three_renewals_are_wanted_however_slow() -> None:
    pack = Watched()
    pack.run(300, lambda _: {"cell_v": cells(-5.0), "current_a": -5.0}, every_s=150)
    stuck = {"cell_v": cells(-5.0), "current_a": -40.0}
    assert what(pack.run(150, lambda _: stuck, every_s=150)) == "none"
    assert what(pack.run(0, lambda _: stuck, every_s=150)) != "none"


@pytest.mark.parametrize(("amps", "frozen"), [(-24.9, False), (-25.1, True), (15.1, True)])
def test_the_current_must_have_moved_by_a_tenth_c(amps: float, *, frozen: bool) -> None:
    pack = Watched()
    pack.run(MINUTE, lambda _: {"cell_v": cells(-5.0), "current_a": -5.0})
    figures = pack.run(5 * MINUTE, lambda _: {"cell_v": cells(-5.0), "current_a": amps})
    assert figures["telemetry_frozen"] is frozen


def test_cells_that_lag_by_a_poll_are_not_frozen() -> None:
    """A bridge that reads the current each second, the cells once a minute."""

    def lagging(seconds: float) -> dict[str, Any]:
        return {"cell_v": cells(load(seconds - seconds % 60)), "current_a": load(seconds)}

    pack = Watched()
    for _ in range(40):
        assert what(pack.run(MINUTE, lagging, every_s=1.0)) == "none"


def test_cells_that_do_not_follow_the_charge_are_frozen() -> None:
    pack = Watched()
    stuck = {"cell_v": cells(-12.0), "current_a": -12.0}
    assert what(pack.run(59 * MINUTE, lambda _: stuck)) == "none"
    found = what(pack.run(2 * MINUTE, lambda _: stuck))  # 6 % of 200 Ah after an hour
    assert found == "cell voltages unchanged for 61 min while 12.2 Ah flowed out"


def test_coarse_cells_may_stand_still_longer() -> None:
    """Steps of 10 mV: 0.36 C, and 60 % of the capacity."""
    coarse, pack = {"cell_v": (3.30, 3.31) * 8}, Watched()
    pack.run(MINUTE, lambda _: {**coarse, "current_a": -5.0})
    assert what(pack.run(5 * MINUTE, lambda _: {**coarse, "current_a": -70.0})) == "none"
    pack.run(MINUTE, lambda _: {"cell_v": (3.30, 3.29) * 8, "current_a": -5.0})
    assert what(pack.run(2 * HOUR, lambda _: {**coarse, "current_a": -12.0})) == "none"
    assert what(pack.run(5 * MINUTE, lambda _: {**coarse, "current_a": -90.0})) != "none"


def test_a_charger_that_holds_the_voltage_holds_the_cells() -> None:
    """Absorption: the current falls from 0.3 C, and charge flows in, at the same cell voltages."""
    pack, held = Watched(), {"cell_v": cells(0.0, 3.47)}
    amps = [60.0 * 0.97**step for step in range(361)]
    pack.run(HOUR, lambda seconds: {**held, "current_a": amps[round(seconds / 10)]})
    assert what(pack.run(2 * HOUR, lambda _: {**held, "current_a": 7.0})) == "none"
    # Full cells rest close to where they were held.
    assert what(pack.run(HOUR, lambda _: {**held, "current_a": 0.0})) == "none"
    assert what(pack.run(5 * MINUTE, lambda _: {**held, "current_a": -19.0})) == "none"
    # When the pack discharges nobody holds it.
    found = what(pack.run(3 * MINUTE, lambda _: {**held, "current_a": -21.0}))
    assert (
        found
        == "cell voltages unchanged for 4 h 8 min while the current went from 60.0 A to -21.0 A"
    )


@pytest.mark.parametrize(
    ("soc_pct", "amps", "frozen"),
    [
        (55.0, -12.0, True),
        (55.0, 12.0, True),
        (99.0, 12.0, False),  # stands at its end
        (99.0, -12.0, True),
        (1.0, -12.0, False),
        (1.0, 12.0, True),
    ],
)
def test_soc_that_stands_still_is_frozen(soc_pct: float, amps: float, *, frozen: bool) -> None:
    def pack(seconds: float) -> dict[str, Any]:
        ocv = 3.30 + seconds / 1e6
        return {"cell_v": cells(amps, ocv), "current_a": amps, "soc_pct": soc_pct}

    watched = Watched()
    assert what(watched.run(99 * MINUTE, pack)) == "none"  # 10 % of 200 Ah after 100 min
    found = what(watched.run(2 * MINUTE, lambda s: pack(s + 99 * MINUTE)))
    flowed = "in" if amps > 0 else "out"
    words = (
        f"state of charge unchanged at {soc_pct:.0f} % for 101 min while 20.2 Ah flowed {flowed}"
    )
    assert found == (words if frozen else "none")


def steps(seconds: float) -> dict[str, Any]:
    """Loads that the cells show and the current does not."""
    return {"cell_v": cells(load(seconds)), "current_a": -5.0}


def test_a_current_that_stands_still_is_frozen() -> None:
    pack = Watched()
    assert what(pack.run(20 * MINUTE, steps)) == "none"  # one step each way
    found = what(pack.run(20 * MINUTE, steps))
    assert found == "current unchanged at -5.0 A for 40 min while the cells stepped by 22 mV"


def test_a_current_that_comes_before_its_cells_is_not_frozen() -> None:
    pack, current, set_ = Watched(), frozenset({"current_a"}), frozenset({"cell_v"})
    for step in range(100):
        amps, before = (-60.0, -5.0) if step % 2 else (-5.0, -60.0)
        for _ in range(5):
            pack.look(cell_v=cells(before), current_a=amps, renewed=current)
            pack.at += 5
        assert what(pack.look(cell_v=cells(amps), current_a=amps, renewed=set_)) == "none"
        pack.at += 5


def test_a_current_that_was_known_before_is_not_called_frozen() -> None:
    """Its own renewals are what counts: here there is none."""
    pack, set_ = Watched(), frozenset({"cell_v"})
    for step in range(20):
        cell_v = cells(-60.0 if step % 2 else -5.0)
        assert what(pack.look(cell_v=cell_v, current_a=-5.0, renewed=set_)) == "none"
        pack.at += 10


@pytest.mark.parametrize(("ocv", "frozen"), [(3.45, False), (3.3, True), (3.1, False)])
def test_steps_count_on_the_flat_part(ocv: float, *, frozen: bool) -> None:
    """Near the ends a cell moves by as much on little charge."""

    def pack(seconds: float) -> dict[str, Any]:
        return {"cell_v": cells(load(seconds), ocv), "current_a": -5.0}

    assert Watched().run(HOUR, pack)["telemetry_frozen"] is frozen


def test_steps_between_sets_more_than_a_minute_apart_do_not_count() -> None:
    def pack(seconds: float) -> dict[str, Any]:
        return {"cell_v": cells(-5.0 - 55.0 * (seconds / 70 % 2)), "current_a": -5.0}

    assert what(Watched().run(HOUR, pack, every_s=70.0)) == "none"
    assert what(Watched().run(HOUR, lambda s: pack(s * 7), every_s=10.0)) != "none"


def test_a_dead_current_sensor_is_frozen_at_zero() -> None:
    assert what(Watched().run(HOUR, lambda s: {**steps(s), "current_a": 0.0})) != "none"


def test_steps_hours_apart_are_not_held_against_a_current() -> None:
    """At 0 A a spike of a pump, once in two hours, that only the cells were measured in."""

    def spikes(seconds: float) -> dict[str, Any]:
        spike = seconds % 7200 == 3600
        return {"cell_v": cells(-60.0 if spike else 0.0), "current_a": 0.0}

    assert what(Watched().run(24 * HOUR, spikes)) == "none"


def test_cells_that_relax_are_not_held_against_a_current() -> None:
    def relaxing(seconds: float) -> dict[str, Any]:
        return {"cell_v": cells(0.0, 3.22 + 0.017 * min(seconds / 10, 5)), "current_a": 0.0}

    assert what(Watched().run(HOUR, relaxing)) == "none"


def test_it_is_over_when_values_move() -> None:
    pack = Watched()
    stuck = {"cell_v": cells(-12.0), "current_a": -12.0, "soc_pct": 50.0}
    found = what(pack.run(2 * HOUR, lambda _: stuck))
    assert found == (
        "cell voltages unchanged for 2 h 0 min while 24.0 Ah flowed out; "
        "state of charge unchanged at 50 % for 2 h 0 min while 24.0 Ah flowed out"
    )
    figures = pack.look(cell_v=cells(-11.0), current_a=-11.0, soc_pct=50.0)
    assert what(figures).startswith("state of charge")
    assert what(pack.look(cell_v=cells(-11.0), current_a=-11.0, soc_pct=49.0)) == "none"


@pytest.mark.parametrize("missing", [{"current_a": None}, {"cell_v": None, "soc_pct": None}])
def test_it_is_unknown_without_what_it_rests_on(missing: dict[str, Any]) -> None:
    pack = Watched()
    stuck = {"cell_v": cells(-12.0), "current_a": -12.0, "soc_pct": 50.0}
    pack.run(HOUR, lambda _: stuck)
    figures = pack.look(**{**stuck, **missing}, renewed=frozenset())
    assert figures["telemetry_frozen"] is None
    assert figures["telemetry_frozen_what"] is None


def test_a_hole_in_the_count_is_no_charge_that_did_not_show() -> None:
    """Charged by 8 % while the current was unknown, then discharged by 8 %: the SoC is the same."""
    pack = Watched()

    def discharge(seconds: float) -> dict[str, Any]:
        return {"cell_v": cells(-20.0, 3.3 - seconds / 1e6), "current_a": -20.0, "soc_pct": 60.0}

    pack.run(40 * MINUTE, discharge)
    for _ in range(6):
        pack.at += 10 * MINUTE
        pack.look()
    assert what(pack.run(40 * MINUTE, discharge)) == "none"
    assert what(pack.run(25 * MINUTE, discharge)) != "none"


def test_the_keeper_is_told() -> None:
    """A bridge whose cells stand still while a load comes on; then it is started anew."""
    hut = Scene(load_rules(shipped("rules")))
    alarm, words = ("telemetry-frozen", "pack/alder"), "alder: cell voltages unchanged for"
    before = [3.301, 3.302] * 8
    hut.run(minutes=5, alder=sent(cell_v=before), birch=sent(current_a=-5.0))
    hut.run(minutes=6, alder=sent(cell_v=before, current_a=-30.0), birch=sent(current_a=-5.0))
    assert not hut.raised(*alarm)
    hut.run(minutes=2, alder=sent(cell_v=before, current_a=-30.0), birch=sent(current_a=-5.0))
    assert hut.raised(*alarm)
    assert not hut.raised("telemetry-frozen", "pack/birch")
    assert hut.retained["watchd/alarm/telemetry-frozen/pack/alder"]["text"].startswith(words)
    hut.run(minutes=11, alder=sent(cell_v=[3.291, 3.292] * 8, current_a=-30.0), birch=sent())
    assert not hut.raised(*alarm)


def test_a_look_without_news_changes_nothing() -> None:
    """The pack is looked at between messages too: that is no renewal."""
    pack, stuck = Watched(), {"cell_v": cells(-5.0), "soc_pct": 50.0}
    pack.run(MINUTE, lambda _: {**stuck, "current_a": -5.0})
    pack.look(**stuck, current_a=-40.0)
    unheard = {**stuck, "current_a": -40.0, "renewed": frozenset()}
    assert what(pack.run(30 * MINUTE, lambda _: unheard)) == "none"


def test_restarts_change_nothing() -> None:
    """One at every sample, while cells, SoC and current are frozen in turn."""

    def story(seconds: float) -> dict[str, Any]:
        hour = int(seconds // HOUR)
        if hour < 2:
            return {**healthy(seconds), "soc_pct": 50.0}
        if hour < 4:
            return {"cell_v": cells(-12.0), "current_a": -12.0, "soc_pct": 50.0}
        if hour == 4:
            return {"cell_v": cells(-12.0), "current_a": -60.0, "soc_pct": 49.0}
        return {**steps(seconds), "soc_pct": 49.0}

    straight, restarted = Watched(), Watched()
    found: set[str] = set()
    for step in range(7 * 360):
        straight.at = restarted.at = step * 10.0
        restarted = Watched(restarted.snapshot())
        unheard = {**story(straight.at), "renewed": frozenset()}
        assert straight.look(**unheard) == restarted.look(**unheard)
        figures = straight.look(**story(straight.at))
        assert figures == restarted.look(**story(straight.at))
        found.update(part.split(" unchanged")[0] for part in what(figures).split("; "))
    assert found == {"none", "cell voltages", "state of charge", "current"}


# Nothing that is not finite: the gate refuses it.
ODD = st.sampled_from([None, 0.0, -5.0, 80.0, 1e9])
SETS = st.sampled_from([None, cells(0.0), cells(-60.0), (3.3,) * 16])
STEPS = st.tuples(
    st.sampled_from([0.0, 10.0, 70.0, 7200.0]),
    ODD,
    SETS,
    st.sampled_from([None, 0.0, 50.0, 51.0, 100.0]),
    st.frozensets(st.sampled_from(sorted(ALL))),
)


@given(samples=st.lists(STEPS, max_size=60), cut=st.integers(0, 60))
def test_it_goes_on_from_a_snapshot_as_if_nothing_had_been(
    samples: list[tuple[Any, ...]], cut: int
) -> None:
    pack, again = Watched(), Watched()
    for index, (step_s, amps, cell_v, soc_pct, renewed) in enumerate(samples):
        if index == cut:
            again = Watched(again.snapshot())
        known = {"current_a": amps, "cell_v": cell_v, "soc_pct": soc_pct, "renewed": renewed}
        for watched in (pack, again):
            watched.at += step_s
        one, other = pack.look(**known), again.look(**known)
        assert json.dumps(one) == json.dumps(other)
    assert json.dumps(pack.snapshot()) == json.dumps(again.snapshot())
