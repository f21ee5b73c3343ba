"""Whether the others carry a pack's current: by their own limits, nothing taken for granted."""

from __future__ import annotations

from typing import Any

import pytest

from watchd.advice.reanchoring.carrying import Other, without
from watchd.figures import Figures

GOOD: Figures = {"telemetry_quality": "good", "current_a": 20.0, "protection_trip": False}


def other(
    name: str = "birch",
    *,
    ah: float = 200.0,
    charge_a: float = 100.0,
    discharge_a: float | None = 150.0,
    **figures: Any,
) -> Other:
    return Other(name, ah, charge_a, discharge_a, {**GOOD, **figures})


def test_the_smaller_limit_of_the_others_rules_by_their_share() -> None:
    # 300 Ah together: birch takes a third, and is at its 40 A when both carry 120 A.
    found = without("alder", GOOD, [other(ah=100.0, charge_a=40.0), other("cedar")])
    assert found.refusal is None
    assert found.charge_limit_a == pytest.approx(120.0)
    assert found.discharge_limit_a == pytest.approx(225.0)
    assert found.text == (
        "When it disconnects, its current goes to birch, cedar: they can carry what flows now "
        "(60 A charge)."
    )
    assert found.holding == (
        "While it is off, keep the charge of the bank at or below 120 A, and the loads at or "
        "below 225 A."
    )


def test_without_a_discharge_limit_it_says_that_it_cannot_say() -> None:
    found = without("alder", GOOD, [other(discharge_a=None)])
    assert found.refusal is None
    assert found.discharge_limit_a is None
    assert "max_discharge_a of the others is not in the config" in found.holding


REFUSED: dict[str, tuple[Figures, list[Other], str]] = {
    "alone": (GOOD, [], "alder is alone on its bank: its trip would leave the bus without a pack"),
    "stale": (
        GOOD,
        [other(telemetry_quality="stale")],
        "what birch carries is not known: its telemetry is not good",
    ),
    "tripped": (
        GOOD,
        [other(), other("cedar", protection_trip=True)],
        "cedar has tripped itself and carries nothing",
    ),
    "no charge": (
        GOOD,
        [other(charge_allowed=False)],
        "the BMS of birch does not let it charge",
    ),
    "no discharge": (
        GOOD,
        [other(discharge_allowed=False)],
        "the BMS of birch does not let it discharge",
    ),
    "unknown current": ({}, [other()], "the current of the bank is not known"),
    "too much charge": (
        {**GOOD, "current_a": 81.0},
        [other()],
        "the bank charges with 101 A now, and without alder the others (birch) may take 100 A",
    ),
    "too much load": (
        {**GOOD, "current_a": -100.0},
        [other(current_a=-60.0)],
        "the loads take 160 A now, and without alder the others (birch) may give 150 A",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_it_is_refused_with_its_reason(case: str) -> None:
    own, others, reason = REFUSED[case]
    assert without("alder", own, others).refusal == reason


def test_what_they_may_just_take_they_take() -> None:
    assert without("alder", {**GOOD, "current_a": 80.0}, [other()]).refusal is None
