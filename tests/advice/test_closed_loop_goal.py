"""A charger that obeys watchd, beside one that knows everything; the goal is in `goal.py`."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.truth.loop.goal import HEAD, Row, rows
from tests.truth.loop.learning import learned
from tests.truth.loop.scenarios import SCENARIOS

# What a charger that obeys late may carry beyond a pack's maximum or temperature band, in Ah:
# a minute at the charger's most.
MOST_BEYOND_AH = 3.0


def show(found: list[Row], capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print("", HEAD, *found, sep="\n")


def missed(found: list[Row]) -> dict[str, list[str]]:
    return {
        f"{row.name}, {row.delay_s:g} s": what for row in found if (what := row.missed(row.watchd))
    }


@pytest.mark.parametrize("name", ["ahead-3", "joint"])
def test_a_charger_that_obeys_late_is_nearly_as_good_as_one_that_knows_everything(
    name: str,
) -> None:
    scenario = replace(SCENARIOS[name], hours=2.0)
    found = list(rows(scenario, [10.0], days=0.6))
    assert missed(found) == {}, f"\n{HEAD}\n{found[0]}"


@pytest.mark.long
@pytest.mark.parametrize("name", SCENARIOS)
def test_so_it_is_on_every_morning_and_with_every_delay(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found = list(rows(SCENARIOS[name]))
    show(found, capsys)
    assert missed(found) == {}
    assert [row.watchd.beyond_ah for row in found if row.watchd.beyond_ah > MOST_BEYOND_AH] == []


@pytest.mark.long
@pytest.mark.parametrize("name", SCENARIOS)
def test_before_it_has_learnt_anything_it_trips_nothing(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found = list(rows(SCENARIOS[name], [1.0, 30.0], cold_engine=True))
    show(found, capsys)
    assert [row.watchd.trips for row in found] == [0, 0]


@pytest.mark.long
@pytest.mark.parametrize("name", ["balanced", "joint", "half-pack"])
def test_the_days_before_are_enough_to_know_the_resistances(name: str) -> None:
    figures = learned(SCENARIOS[name]).figures
    for pack in ("alder", "birch", "cedar"):
        assert figures[f"pack/{pack}"]["resistance_mohm"] is not None
        assert figures[f"pack/{pack}"]["joint_excess_mohm"] is not None
