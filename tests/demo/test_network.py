"""Packs in parallel: published vectors, and Kirchhoff's laws whatever the switches do."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo.skerry.network import Branch, at_current


def branches(*pairs: tuple[float, float]) -> list[Branch]:
    return [Branch(source_v, mohm / 1000) for source_v, mohm in pairs]


@pytest.mark.parametrize(
    ("packs", "total_a", "bus_v", "currents_a"),
    [
        # Millman's theorem, computed by hand
        (branches((53.0, 12), (53.1, 24)), 60.0, 53.5133, [42.78, 17.22]),
        (branches((53.0, 10), (53.0, 12)), 100.0, 53.5455, [54.545, 45.455]),
        (branches((53.2, 10), (53.2, 10), (52.9, 15)), 150.0, 53.6875, [48.75, 48.75, 52.5]),
        (branches((53.2, 10), (53.2, 10), (52.9, 15)), 0.0, 53.125, [-7.5, -7.5, 15.0]),
    ],
)
def test_shares(packs: list[Branch], total_a: float, bus_v: float, currents_a: list[float]) -> None:
    shared = at_current(packs, total_a, open_v=56.0)
    assert shared.bus_v == pytest.approx(bus_v, abs=1e-4)
    assert list(shared.currents_a) == pytest.approx(currents_a, abs=0.006)


def test_a_pack_that_tripped_takes_nothing_and_still_gives() -> None:
    tripped, other = Branch(53.5, 0.01, charge_allowed=False), Branch(53.0, 0.01)
    charging = at_current([tripped, other], 100.0, open_v=56.0)
    assert charging.currents_a == pytest.approx((0.0, 100.0))
    discharging = at_current([tripped, other], -100.0, open_v=56.0)
    assert discharging.currents_a == pytest.approx((-75.0, -25.0))


def test_with_no_pack_to_give_it_the_loads_go_without() -> None:
    empty = Branch(41.6, 0.01, discharge_allowed=False)
    assert at_current([empty], -50.0, open_v=56.0).total_a == 0.0


def test_with_no_pack_to_take_it_the_bus_goes_to_the_open_voltage() -> None:
    tripped = Branch(53.5, 0.01, charge_allowed=False)
    shared = at_current([tripped], 50.0, open_v=56.0)
    assert (shared.bus_v, shared.total_a) == (56.0, 0.0)


packs_of_any_kind = st.lists(
    st.builds(
        Branch,
        source_v=st.floats(48.0, 57.0),
        resistance_ohm=st.floats(0.004, 0.04),
        charge_allowed=st.booleans(),
        discharge_allowed=st.booleans(),
    ),
    min_size=1,
    max_size=4,
)


@given(packs=packs_of_any_kind, total_a=st.floats(-300.0, 300.0))
def test_currents_add_up_and_keep_to_the_switches(packs: list[Branch], total_a: float) -> None:
    shared = at_current(packs, total_a, open_v=56.0)
    for pack, current_a in zip(packs, shared.currents_a, strict=True):
        assert pack.charge_allowed or current_a <= 0.0
        assert pack.discharge_allowed or current_a >= 0.0
    if any(pack.charge_allowed if total_a > 0 else pack.discharge_allowed for pack in packs):
        assert shared.total_a == pytest.approx(total_a, abs=1e-6)
