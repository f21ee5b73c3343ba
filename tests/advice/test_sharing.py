"""From what each pack may carry to what the bank may: packs in parallel on one bus."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.advice.sharing import Carrier, Sharing

NAMES = ("alder", "birch", "cedar", "doum")
STEADY = settings(max_examples=150, deadline=None, derandomize=True)


def millman(total_a: float, packs: list[tuple[float, float]]) -> list[float]:
    """Currents of packs of (open-circuit V, mOhm) on one bus: Millman's theorem."""
    siemens = [1000.0 / mohm for _, mohm in packs]
    bus_v = (total_a + sum(v * s for (v, _), s in zip(packs, siemens, strict=True))) / sum(siemens)
    return [(bus_v - v) * s for (v, _), s in zip(packs, siemens, strict=True)]


def carriers(total_a: float, packs: list[tuple[float, float]], ah: float = 200.0) -> list[Carrier]:
    """The packs at an operating point, with their resistance learnt."""
    currents = millman(total_a, packs)
    return [
        Carrier(NAMES[k], amps, ah, mohm)
        for k, (amps, (_, mohm)) in enumerate(zip(currents, packs, strict=True))
    ]


class Named:
    """Packs that share, asked by their names."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self.sharing = Sharing(saved)
        self.snapshot = self.sharing.snapshot

    def update(self, at: float, packs: Sequence[Carrier]) -> None:
        self.split = self.sharing.update(at, packs)
        self.place = {pack.name: index for index, pack in enumerate(packs)}

    def part(self, name: str) -> float:
        return self.split.parts[self.place[name]]

    def bank_a(self, name: str, limit_a: float) -> float:
        return self.split.bank_a(self.place[name], limit_a)

    def describe(self, name: str) -> str:
        return self.split.describe(self.place[name])


def shared(packs: list[Carrier]) -> Named:
    sharing = Named()
    sharing.update(0.0, packs)
    return sharing


THREE = [(53.2, 10.0), (53.2, 10.0), (52.9, 15.0)]
TWO = [(53.0, 12.0), (53.1, 24.0)]
ALIKE = [(53.0, 10.0), (53.0, 12.0)]


@pytest.mark.parametrize(
    ("packs", "total_a", "amps"),
    [
        (THREE, 150.0, (48.75, 48.75, 52.5)),
        (THREE, 0.0, (-7.5, -7.5, 15.0)),
        (TWO, 60.0, (42.78, 17.22)),
        (ALIKE, 100.0, (54.545, 45.455)),
    ],
)
@pytest.mark.parametrize("seen_at_a", [0.0, 40.0, -80.0])
def test_from_one_point_it_tells_what_millman_gives_at_another(
    packs: list[tuple[float, float]], total_a: float, amps: tuple[float, ...], seen_at_a: float
) -> None:
    """Worked by hand: the bank current at which each pack carries what it carries there."""
    assert millman(total_a, packs) == pytest.approx(amps, abs=0.005)
    sharing = shared(carriers(seen_at_a, packs))
    found = [sharing.bank_a(NAMES[k], each) for k, each in enumerate(amps)]
    assert found == pytest.approx([total_a] * len(packs), abs=0.03)


@st.composite
def banks(draw: st.DrawFn) -> tuple[list[Carrier], list[float]]:
    """Packs with all learnt, at any operating point, and what each may carry."""
    count = draw(st.integers(1, 4))
    packs = [(draw(st.floats(52, 54)), draw(st.floats(1, 100))) for _ in range(count)]
    limits = [draw(st.floats(0, 300)) for _ in range(count)]
    return carriers(draw(st.floats(-300, 300)), packs), limits


@STEADY
@given(banks())
def test_at_the_limit_of_the_bank_no_pack_passes_its_own(
    case: tuple[list[Carrier], list[float]],
) -> None:
    packs, limits = case
    sharing = shared(packs)
    found = [sharing.bank_a(p.name, each) for p, each in zip(packs, limits, strict=True)]
    most_a, total_a = min(found), sum(p.current_a for p in packs)
    now = [p.current_a + sharing.part(p.name) * (most_a - total_a) for p in packs]
    if most_a > 0:  # where not even nothing is little enough, nothing is what there is
        assert all(a <= each + 1e-6 for a, each in zip(now, limits, strict=True))
        # One is at it: that with the least left for its part.
        left = [
            (each - p.current_a) / sharing.part(p.name)
            for p, each in zip(packs, limits, strict=True)
        ]
        rules = left.index(min(left))
        assert now[rules] == pytest.approx(limits[rules], abs=1e-6)
    assert most_a >= 0


@STEADY
@given(banks(), st.floats(0, 100))
def test_a_pack_that_may_carry_more_never_means_less(
    case: tuple[list[Carrier], list[float]], more_a: float
) -> None:
    packs, limits = case
    sharing = shared(packs)
    for pack, limit_a in zip(packs, limits, strict=True):
        assert sharing.bank_a(pack.name, limit_a + more_a) >= sharing.bank_a(pack.name, limit_a)


@STEADY
@given(banks())
def test_parts_are_of_one_whole(case: tuple[list[Carrier], list[float]]) -> None:
    packs, _ = case
    sharing = shared(packs)
    assert sum(sharing.part(p.name) for p in packs) == pytest.approx(1)


def test_a_pack_that_rises_steeply_counts_with_little() -> None:
    # Nearly full, an A more raises birch nine times as much within the horizon.
    sharing = shared([Carrier("alder", 50.0, 200.0, 10.0), Carrier("birch", 5.0, 200.0, 90.0)])
    assert sharing.part("birch") == pytest.approx(0.1)
    assert sharing.bank_a("birch", 8.0) == pytest.approx(55 + 3 / 0.1)
    # By nameplate it would be counted with half: 16 A for the whole bank.
    assert "10%" in sharing.describe("birch")


UNKNOWN = (Carrier("alder", 20.0, 200.0, 10.0), Carrier("birch", 10.0, 100.0, None))


def test_with_one_that_is_not_known_shares_are_of_nameplate_and_of_what_was_seen() -> None:
    sharing = shared(list(UNKNOWN))
    assert [sharing.part(p.name) for p in UNKNOWN] == pytest.approx([2 / 3, 1 / 3])
    assert sharing.bank_a("birch", 20.0) == pytest.approx(60)
    assert "33%" in sharing.describe("birch")
    greedy = [Carrier("alder", 10.0, 200.0, None), Carrier("birch", 30.0, 100.0, None)]
    for second in range(0, 1200, 10):
        sharing.update(float(second), greedy)
    # birch was seen to take three quarters; alder keeps what its nameplate says.
    assert [sharing.part(p.name) for p in greedy] == pytest.approx([2 / 3, 3 / 4], abs=1e-3)


def test_little_current_says_nothing_of_shares() -> None:
    sharing = Named()
    for second in range(0, 1200, 10):
        sharing.update(
            float(second),
            [Carrier("alder", 1.0, 200.0, None), Carrier("birch", 13.9, 100.0, None)],
        )
    assert sharing.part("birch") == pytest.approx(1 / 3)


def test_a_pack_that_drops_out_leaves_its_part_to_the_others() -> None:
    sharing = shared(carriers(150.0, THREE))
    sharing.update(10.0, carriers(150.0, THREE[:2]))
    assert [sharing.part(n) for n in ("alder", "birch")] == pytest.approx([0.5, 0.5])
    assert sharing.bank_a("alder", 80.0) == pytest.approx(160)
    with pytest.raises(KeyError):
        sharing.part("cedar")
    # Where nothing is learnt: what was seen was on another bus.
    sharing = Named()
    three = [Carrier(n, a, 100.0, None) for n, a in zip(NAMES, (70.0, 10.0, 10.0), strict=False)]
    for second in range(0, 600, 10):
        sharing.update(float(second), three)
    assert sharing.part("alder") > 0.7
    sharing.update(590.0, three[:2])
    assert [sharing.part(n) for n in ("alder", "birch")] == pytest.approx([0.5, 0.5])
    sharing.update(590.0, three)
    assert sharing.part("cedar") == pytest.approx(1 / 3)


def test_it_goes_on_after_a_restart() -> None:
    greedy = [Carrier("alder", 10.0, 200.0, None), Carrier("birch", 30.0, 100.0, None)]
    sharing = Named()
    for second in range(0, 100, 10):
        sharing.update(float(second), greedy)
    again = Named(json.loads(json.dumps(sharing.snapshot())))
    for each in (sharing, again):
        each.update(110.0, greedy)
    assert again.part("birch") == sharing.part("birch") > 0.6
