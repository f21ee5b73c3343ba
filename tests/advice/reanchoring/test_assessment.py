"""Whether a re-anchoring is needed, in sentences; which ways are open, the mildest first."""

from __future__ import annotations

from typing import Any

import pytest

from tests.advice.reanchoring.packs import CAN, KNEE_V, alder, begun, figures
from watchd.advice.reanchoring.assessment import Assessment, assess, habit
from watchd.advice.reanchoring.carrying import Carrying
from watchd.advice.reanchoring.record import Record
from watchd.advice.reanchoring.states import Outcome, Step, Way
from watchd.config import Pack


def assessed(
    *,
    pack: Pack | None = None,
    records: tuple[Record, ...] = (),
    carrying: Carrying = CAN,
    **changed: Any,
) -> Assessment:
    return assess(pack or alder(), figures(**changed), records, carrying, KNEE_V)


def record(way: Way, outcome: Outcome, **changed: Any) -> Record:
    return Record.of(begun(way, step=Step.ENDED, outcome=outcome, **changed))


NEEDED: list[tuple[dict[str, Any], bool | None, str]] = [
    (
        {},
        True,
        (
            "The BMS shows 88.0 %, and by watchd's count it is 99.5 % (± 0.6 %): 11.5 % too "
            "little. It is to be re-anchored."
        ),
    ),
    (
        {"soc_pct": 97.0},
        False,
        (
            "The BMS shows 97.0 %, and by watchd's count it is 99.5 % (± 0.6 %): close enough. "
            "Nothing is to be re-anchored."
        ),
    ),
    (
        {"soc_pct": 94.0, "soc_estimate_sigma_pct": 2.9},
        False,
        (
            "The BMS shows 94.0 %, and by watchd's count it is 99.5 % (± 2.9 %): the difference of "
            "5.5 % is no more than what the count may be wrong by. A full charge tells."
        ),
    ),
    (
        {"soc_pct": 70.0, "soc_estimate_pct": 60.0},
        False,
        (
            "The BMS shows 70.0 %, and by watchd's count it is 60.0 % (± 0.6 %): 10.0 % too much. "
            "That comes right by itself: at full the BMS shows 100 %, and can show no more."
        ),
    ),
    (
        {"soc_estimate_pct": None, "soc_estimate_sigma_pct": None},
        None,
        (
            "The BMS shows 88.0 %. watchd has no count of its own to hold against it: it needs to "
            "see one full charge first."
        ),
    ),
    ({"soc_pct": None}, None, "The state of charge of the BMS is not known now."),
]


@pytest.mark.parametrize(("changed", "needed", "sentence"), NEEDED)
def test_whether_it_is_needed(changed: dict[str, Any], needed: bool | None, sentence: str) -> None:
    found = assessed(**changed)
    assert found.needed is needed
    assert found.sentences[0] == sentence


HABITS: list[tuple[dict[str, Any], str]] = [
    ({}, "Where this BMS sets itself is not known yet: no full charge has shown it."),
    (
        {"full_charges_missed": 1},
        (
            "Where this BMS sets itself is not known yet: 1 full charge in a row without it, and "
            "no re-anchoring seen."
        ),
    ),
    (
        {"reanchors_at": "never", "full_charges_missed": 4},
        "It was never seen to set itself: 4 full charges in a row without.",
    ),
    (
        {
            "reanchors_at": "over_voltage",
            "reanchored_at_overvoltage": 1,
            "full_charges_missed": 3,
        },
        (
            "It was seen to set itself by an over-voltage trip (once), and at the charge voltage 3 "
            "full charges in a row without."
        ),
    ),
    (
        {
            "reanchors_at": "charge_voltage",
            "reanchored_at_charge_voltage": 5,
            "absorption_reanchored_h": 0.75,
            "full_charges_missed": 2,
        },
        (
            "It sets itself at the charge voltage: seen 5 times, the last time after 45 min of "
            "absorption; since then 2 full charges in a row without."
        ),
    ),
]


@pytest.mark.parametrize(("changed", "sentence"), HABITS)
def test_what_its_past_says(changed: dict[str, Any], sentence: str) -> None:
    assert habit(figures(**changed)) == sentence


def test_the_mildest_way_comes_first() -> None:
    found = assessed()
    assert [offer.way for offer in found.offers] == [
        Way.ABSORPTION,
        Way.FULL_SETTING,
        Way.THRESHOLD,
    ]
    assert all(offer.open for offer in found.offers)
    mildest = found.mildest()
    assert mildest is not None
    assert mildest.way is Way.ABSORPTION


def test_a_longer_absorption_than_the_last() -> None:
    assert assessed(absorption_h=0.2).offer(Way.ABSORPTION).asked_h == 1.0
    assert assessed(absorption_missed_h=1.3).offer(Way.ABSORPTION).asked_h == 2.0


REASONS: list[tuple[Way, dict[str, Any], Pack, str]] = [
    (
        Way.ABSORPTION,
        {"absorption_missed_h": 5.2},
        alder(),
        "an absorption of 5.2 h did not do it",
    ),
    (
        Way.ABSORPTION,
        {"reanchors_at": "never", "full_charges_missed": 3, "absorption_missed_h": 2.0},
        alder(),
        "in 3 full charges with up to 2 h of absorption the BMS did not set itself",
    ),
    (
        Way.FULL_SETTING,
        {},
        Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0),
        "no full-charge setting of this BMS is known (bms: full_v in the config)",
    ),
    (
        Way.FULL_SETTING,
        {},
        alder(full_v=3.48),
        "it is at 3.480 V, and at full the lowest cell comes to 3.490 V: it is low enough already",
    ),
    (
        Way.FULL_SETTING,
        {"setting_full_v": 3.45},  # what the BMS reports comes before the config
        alder(),
        "it is at 3.450 V, and at full the lowest cell comes to 3.490 V: it is low enough already",
    ),
    (
        Way.FULL_SETTING,
        {"cell_min_at_full_v": 3.41},
        alder(),
        (
            "at full the lowest cell comes to 3.410 V only, and a setting near 3.400 V would be "
            "met long before the pack is full. Balance first"
        ),
    ),
    (
        Way.FULL_SETTING,
        {"cell_min_at_full_v": None},
        alder(),
        "no full charge was seen yet: where the cells then stand is not known",
    ),
    (Way.THRESHOLD, {"protection_trip": True}, alder(), "a protection trip stands: None"),
]


@pytest.mark.parametrize(("way", "changed", "pack", "reason"), REASONS)
def test_a_way_is_passed_over_with_its_reason(
    way: Way, changed: dict[str, Any], pack: Pack, reason: str
) -> None:
    offer = assessed(pack=pack, **changed).offer(way)
    assert not offer.open
    assert offer.reasons == (reason,)


def test_a_short_absorption_excludes_no_longer_one() -> None:
    changed: dict[str, Any] = {
        "reanchors_at": "never",
        "full_charges_missed": 3,
        "absorption_missed_h": 1.9,
    }
    assert assessed(**changed).offer(Way.ABSORPTION).open


def test_the_full_setting_is_where_the_lowest_cell_comes() -> None:
    offer = assessed().offer(Way.FULL_SETTING)
    assert (offer.full_v, offer.full_before_v) == (3.485, 3.55)


def test_the_others_that_cannot_carry_it_exclude_the_threshold_only() -> None:
    found = assessed(carrying=Carrying("birch has tripped itself and carries nothing"))
    assert found.offer(Way.THRESHOLD).reasons == ("birch has tripped itself and carries nothing",)
    assert found.offer(Way.ABSORPTION).open


@pytest.mark.parametrize("way", list(Way))
def test_what_was_tried_and_failed_is_passed_over(way: Way) -> None:
    found = assessed(records=(record(way, Outcome.FAILED),))
    reason = "it was tried at this charge voltage, and the BMS did not set itself"
    assert found.offer(way).reasons == (reason,)


def test_what_failed_at_another_charge_voltage_or_was_given_up_is_not() -> None:
    elsewhere = record(Way.ABSORPTION, Outcome.FAILED, charge_voltage_v=55.2)
    given_up = record(Way.ABSORPTION, Outcome.GIVEN_UP)
    assert assessed(records=(elsewhere, given_up)).offer(Way.ABSORPTION).open


def test_what_failed_first_and_did_later_is_open() -> None:
    records = (record(Way.ABSORPTION, Outcome.FAILED), record(Way.ABSORPTION, Outcome.HELD))
    assert assessed(records=records).offer(Way.ABSORPTION).open
