"""A charger that obeys watchd, beside one that knows everything; the goal is in `goal.py`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import replace

import pytest

from tests.truth.loop.goal import HEAD, Row, rows
from tests.truth.loop.learning import learned
from tests.truth.loop.scenarios import SCENARIOS

# What a charger that obeys late may carry beyond a pack's maximum or temperature band, in Ah:
# a minute at the charger's most.
MOST_BEYOND_AH = 3.0
# The shortest delay and the longest; the bench shows those between.
ENDS_S = (1.0, 30.0)
# Mornings on which the taper stands in for what is not learnt.
COLD = ("ahead-5", "joint-ahead", "half-pack", "clouds")


Show = Callable[[str, object], None]


def show(found: list[Row], record_property: Show) -> None:
    record_property("shown", "\n".join(map(str, [HEAD, *found])))


def missed(found: list[Row]) -> dict[str, list[str]]:
    return {
        f"{row.name}, {row.delay_s:g} s": what for row in found if (what := row.missed(row.watchd))
    }


@pytest.mark.parametrize("name", ["ahead-3"])
def test_a_charger_that_obeys_late_is_nearly_as_good_as_one_that_knows_everything(
    name: str,
) -> None:
    scenario = replace(SCENARIOS[name], hours=2.0)
    found = list(rows(scenario, [10.0], days=0.6))
    assert missed(found) == {}, f"\n{HEAD}\n{found[0]}"


def morning(name: str, delays_s: Sequence[float], *, cold_engine: bool) -> list[Row]:
    return list(rows(SCENARIOS[name], delays_s, cold_engine=cold_engine))


@pytest.fixture(scope="module")
def mornings() -> Iterator[dict[str, Future[list[Row]]]]:
    """Every scenario with both delays, two at a time in processes of their own."""
    with ProcessPoolExecutor(2) as pool:
        yield {
            name: pool.submit(morning, name, ENDS_S, cold_engine=False) for name in SCENARIOS
        } | {
            f"{name}, nothing learnt": pool.submit(morning, name, ENDS_S[1:], cold_engine=True)
            for name in COLD
        }


@pytest.mark.long
@pytest.mark.parametrize("name", SCENARIOS)
def test_so_it_is_on_every_morning_with_the_shortest_delay_and_the_longest(
    name: str, mornings: dict[str, Future[list[Row]]], record_property: Show
) -> None:
    found = mornings[name].result()
    show(found, record_property)
    assert missed(found) == {}
    assert [row.watchd.beyond_ah for row in found if row.watchd.beyond_ah > MOST_BEYOND_AH] == []


@pytest.mark.long
@pytest.mark.parametrize("name", COLD)
def test_before_it_has_learnt_anything_it_trips_nothing(
    name: str, mornings: dict[str, Future[list[Row]]], record_property: Show
) -> None:
    found = mornings[f"{name}, nothing learnt"].result()
    show(found, record_property)
    assert [row.watchd.trips for row in found] == [0]


@pytest.mark.long
@pytest.mark.parametrize("name", ["balanced", "joint", "half-pack"])
def test_the_days_before_are_enough_to_know_the_resistances(name: str) -> None:
    figures = learned(SCENARIOS[name]).figures
    for pack in ("alder", "birch", "cedar"):
        assert figures[f"pack/{pack}"]["resistance_mohm"] is not None
        assert figures[f"pack/{pack}"]["joint_excess_mohm"] is not None
