"""A guided re-anchoring on the engine: through whole charges, as the keeper sees it."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.core.anchoring import KEY, LOWERED, OLD, TEMPORARY, Hut, at_top, hut_config, in_use
from tests.core.anchoring import low_at_full as low
from tests.scene import pack, rules_of


def raised(hut: Hut) -> bool:
    return hut.raised(TEMPORARY, "pack/alder")


def wanted(hut: Hut) -> bool:
    return hut.engine._watches.packs["alder"].trip_wanted


def trips_and_anchors(hut: Hut) -> None:
    """The leader comes to the threshold, the BMS trips, and shows 100 % soon after."""
    hut.alder(at_top(), minutes=5)
    hut.alder(at_top(current_a=0.0, protection=1), minutes=1)
    assert hut.step() == "tripped"
    hut.alder(at_top(100.0, current_a=0.0, protection=1), minutes=1)
    hut.alder(at_top(100.0, current_a=0.0), minutes=1)


def next_full(hut: Hut, soc_pct: float) -> None:
    hut.alder(in_use(), minutes=60)
    hut.alder(pack(current_a=40.0), minutes=60)
    hut.alder(at_top(soc_pct), minutes=10)
    hut.alder(in_use(soc_pct - 3), minutes=10)


# --- whether it is needed ---


def test_before_a_full_charge_it_cannot_be_said() -> None:
    hut = Hut()
    hut.alder(in_use(), minutes=2)
    told = hut.ask()["reanchor"]
    assert told["needed"] is None
    assert hut.begin("absorption")["error"].endswith("it needs to see one full charge first.")


def test_a_bms_that_is_right_needs_nothing() -> None:
    hut = Hut()
    hut.alder(at_top(100.0), minutes=40)
    told = hut.ask()["reanchor"]
    assert (told["needed"], told["ways"]) == (False, [])
    assert not hut.begin("absorption")["ok"]


def test_the_ways_come_the_mildest_first_with_their_numbers() -> None:
    told = low().ask()["reanchor"]
    assert told["needed"] is True
    assert [(way["way"], way["open"]) for way in told["ways"]] == [
        ("absorption", True),
        ("full_setting", True),
        ("threshold", True),
    ]
    assert "from 3.650 V to 3.515 V" in told["ways"][2]["text"]
    assert "never leave" in told["ways"][2]["caution"].lower()


# --- by confirmations only ---


def test_a_whole_one_with_confirmations_only() -> None:
    hut = low()
    answer = hut.ask("begin", way="threshold")["reanchor"]
    assert hut.step() == "none"
    warning = " ".join(answer["warning"])
    assert "its current goes to birch: they can carry what flows now" in warning
    assert "Milder, and still open: a longer absorption and the full-charge setting" in warning
    assert hut.begin()["reanchor"]["step"]["temporary_v"] == 3.515
    assert not wanted(hut)
    # It may be in place from now on.
    assert raised(hut)
    hut.alder(in_use(70.0), minutes=30)
    hut.ask("set")
    assert (hut.step(), wanted(hut)) == ("approaching", True)
    trips_and_anchors(hut)
    assert (hut.step(), wanted(hut)) == ("put_back", False)
    assert (
        "back to 3.650 V first, then its recovery back to 3.550 V"
        in (hut.retained["watchd/reanchor/alder"]["do"])
    )
    hut.alder(in_use(95.0), minutes=600)
    assert (hut.step(), raised(hut)) == ("put_back", True)
    assert hut.ask("restored")["ok"]
    assert (hut.step(), raised(hut)) == ("checking", False)
    next_full(hut, 99.0)
    assert hut.step() == "ended"
    (record,) = hut.ask()["reanchor"]["records"]
    assert record["outcome"] == "held"
    assert (record["before"]["shown_pct"], record["after"]["shown_pct"]) == (88.0, 100.0)
    assert (record["set_v"], record["restored_v"], record["trips"]) == (3.515, 3.65, 1)
    assert record["checked_pct"] == 99.0
    assert hut.told() == [
        "waiting_for_setting",
        "approaching",
        "tripped",
        "put_back",
        "checking",
        "ended",
    ]


def test_the_suggestion_lets_the_wanted_trip_come_with_little_current() -> None:
    hut = low()
    hut.begin()
    hut.alder(at_top(), minutes=1)
    before = [p["what"] for p in hut.retained["watchd/charge-limit/hut"]["parts"]]
    assert "pack/alder re-anchoring" not in before
    hut.ask("set")
    hut.alder(at_top(), minutes=1)
    parts = {p["what"]: p for p in hut.retained["watchd/charge-limit/hut"]["parts"]}
    assert 0 < parts["pack/alder re-anchoring"]["pack_limit_a"] <= 0.05 * 200


def test_it_did_not_hold() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    trips_and_anchors(hut)
    hut.ask("restored")
    next_full(hut, 93.0)
    (record,) = hut.ask()["reanchor"]["records"]
    assert (record["outcome"], record["checked_pct"]) == ("lost", 93.0)


def test_the_rest_of_the_same_charge_is_no_next_full_charge() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    trips_and_anchors(hut)
    hut.ask("restored")
    hut.alder(in_use(98.0), minutes=4)
    hut.alder(at_top(98.0), minutes=30)
    assert hut.step() == "checking"


# --- with the setting reported ---


def test_a_whole_one_with_the_setting_reported() -> None:
    hut = low(**OLD)
    hut.begin()
    # It is seen not to be in place yet.
    assert hut.figures("pack/alder")["setting_temporary"] is False
    hut.reports = dict(LOWERED)
    hut.alder(in_use(70.0), minutes=1)
    assert (hut.step(), raised(hut)) == ("approaching", True)
    assert hut.figures("pack/alder")["temporary_overvoltage_v"] == 3.515
    assert hut.figures("pack/alder")["overvoltage_restore_v"] == 3.65
    trips_and_anchors(hut)
    refused = hut.ask("restored")["error"]
    assert "still reports an over-voltage threshold of 3.515 V, and it was 3.650 V" in refused
    hut.reports = {**LOWERED, "ov_mv": 3650}
    hut.alder(in_use(95.0), minutes=1)
    # The recovery is still the temporary one.
    assert hut.step() == "put_back"
    assert "a recovery of 3.465 V, and it was 3.550 V" in hut.ask("restored")["error"]
    hut.reports = dict(OLD)
    hut.alder(in_use(95.0), minutes=1)
    assert (hut.step(), raised(hut)) == ("checking", False)


def test_a_report_that_is_wrong_is_overruled_and_the_alarm_stays() -> None:
    hut = low(**OLD)
    hut.begin()
    hut.reports = dict(LOWERED)
    hut.alder(at_top(), minutes=1)
    trips_and_anchors(hut)
    hut.ask("restored", yes=True)
    assert (hut.step(), raised(hut)) == ("checking", True)


def test_a_setting_that_nobody_asked_for_raises_the_alarm() -> None:
    hut = low(**OLD)
    hut.reports = {"ov_mv": 3644, "ovr_mv": 3550}
    hut.alder(in_use(70.0), minutes=1)
    assert raised(hut)
    assert hut.retained[f"watchd/alarm/{KEY}"]["text"].endswith("put back 3.650 V")
    # Not reported any more, it is not back.
    hut.reports = {}
    hut = hut.restart()
    hut.alder(in_use(70.0), minutes=30)
    assert raised(hut)
    hut.reports = {"ov_mv": 3646, "ovr_mv": 3550}
    hut.alder(in_use(70.0), minutes=1)
    assert not raised(hut)


def test_another_value_than_asked_for_goes_back_at_once() -> None:
    for volts in (3.45, 3.5, 3.60):
        hut = low()
        hut.begin()
        assert hut.ask("set", value_v=volts)["reanchor"]["step"]["step"] == "put_back"
        hut = low(**OLD)
        hut.begin()
        hut.reports = {"ov_mv": round(1000 * volts), "ovr_mv": 3440}
        hut.alder(in_use(70.0), minutes=1)
        assert hut.step() == "put_back"


# --- what goes otherwise ---


def test_no_trip_within_a_day_leads_back() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    hut.alder(in_use(70.0), minutes=24 * 60 - 5, every=50)
    assert hut.step() == "approaching"
    hut.alder(in_use(70.0), minutes=10)
    assert (hut.step(), raised(hut)) == ("put_back", True)
    hut.ask("restored")
    assert hut.ask()["reanchor"]["records"][0]["outcome"] == "failed"


def test_a_trip_that_sets_nothing_leads_back_and_is_not_tried_again() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    hut.alder(at_top(current_a=0.0, protection=1), minutes=31)
    assert hut.step() == "put_back"
    hut.alder(at_top(), minutes=10)
    hut.ask("restored")
    assert hut.ask()["reanchor"]["ways"][2]["reasons"][0].startswith("it was tried")


def test_trips_that_go_on_are_told_of() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    trips_and_anchors(hut)
    hut.said.clear()
    for _ in range(4):
        hut.alder(at_top(100.0, protection=1), minutes=1)
        hut.alder(at_top(100.0), minutes=2)
    assert hut.told() == ["put_back"] * 3  # the second, third and fifth
    assert "It has tripped 5 times by now" in hut.retained["watchd/reanchor/alder"]["why"]


@pytest.mark.parametrize(
    ("happening", "why"),
    [
        (in_use(70.0, temperature_degc=2.0), "too cold"),
        (in_use(70.0, protection=2), "other than over-voltage"),
    ],
)
def test_what_makes_it_unsafe_leads_back(happening: dict[str, Any], why: str) -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    hut.alder(happening, minutes=1)
    assert hut.step() == "put_back"
    assert why in hut.retained["watchd/reanchor/alder"]["why"]


def test_a_pack_that_is_silent_leads_back() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    hut.run(minutes=50, birch=pack(current_a=8.0))
    assert hut.step() == "approaching"
    hut.run(minutes=20, birch=pack(current_a=8.0))
    assert hut.step() == "put_back"


def test_cancelled_when_it_may_be_in_place_it_is_put_back_first() -> None:
    hut = low()
    hut.begin()
    hut.ask("cancel")
    assert (hut.step(), raised(hut)) == ("put_back", True)
    assert hut.ask("cancel")["error"].startswith("it cannot be left now")
    hut.ask("restored")
    assert (hut.step(), raised(hut)) == ("ended", False)


def test_cancelled_when_it_is_seen_not_to_be_in_place_it_ends() -> None:
    hut = low(**OLD)
    hut.begin()
    hut.ask("cancel")
    assert (hut.step(), raised(hut)) == ("ended", False)


def test_nobody_says_that_it_is_set() -> None:
    for reports, step in (({}, "put_back"), (OLD, "ended")):
        hut = low(**reports)
        hut.begin()
        hut.alder(in_use(70.0), minutes=6 * 60 + 1, every=50)
        assert hut.step() == step


# --- the mild ways ---


def test_a_longer_absorption_that_does_it() -> None:
    hut = low()
    hut.ask("begin")
    assert hut.step() == "approaching"
    assert not raised(hut)
    hut.alder(at_top(), minutes=30)
    hut.alder(at_top(100.0), minutes=5)
    assert hut.step() == "checking"


def test_an_absorption_counts_only_when_it_was_as_long_as_asked_for() -> None:
    hut = low()
    asked_h = 1.5
    assert f"for {asked_h} h" in hut.begin("absorption")["reanchor"]["step"]["do"]
    hut.alder(in_use(70.0), minutes=70)
    hut.alder(at_top(), minutes=30)
    hut.alder(in_use(70.0), minutes=70)
    assert hut.step() == "approaching"
    hut.alder(at_top(), minutes=95)
    hut.alder(in_use(70.0), minutes=10)
    assert hut.step() == "ended"
    told = hut.ask()["reanchor"]
    assert told["records"][0]["outcome"] == "failed"
    assert [way["open"] for way in told["ways"]] == [False, True, True]


def test_the_full_charge_setting() -> None:
    hut = low()
    do = hut.begin("full_setting")["reanchor"]["step"]["do"]
    # The lowest cells stand at 3.498 V at full.
    assert "set the full-charge setting to 3.490 V a cell (it is 3.550 V)" in do
    hut.ask("set")
    hut.alder(in_use(70.0), minutes=20)
    hut.alder(at_top(), minutes=10)
    hut.alder(in_use(70.0), minutes=10)
    assert (hut.step(), raised(hut)) == ("ended", False)
    assert hut.ask()["reanchor"]["records"][0]["outcome"] == "failed"


def test_the_full_charge_setting_is_seen_where_it_is_reported() -> None:
    hut = low(full_mv=3550)
    hut.begin("full_setting")
    hut.reports = {"full_mv": 3490}
    hut.alder(in_use(70.0), minutes=1)
    assert hut.step() == "approaching"


# --- one pack at a time, requests, restarts ---


def test_one_pack_of_a_bank_at_a_time() -> None:
    hut = low()
    hut.begin()
    assert hut.begin(name="birch")["error"] == (
        "alder of the same bank is in the middle of one (waiting_for_setting): one pack at a time"
    )
    assert hut.begin()["error"].startswith("one of alder goes on already")


def test_another_packs_threshold_that_is_temporary_comes_first() -> None:
    hut = low(**OLD)
    lowered = {**in_use(70.0), **LOWERED}
    hut.run(minutes=1, alder={**in_use(70.0), **OLD}, birch=lowered)
    assert "the over-voltage threshold of birch" in hut.begin("absorption")["error"]


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"name": "alter"}, "no pack in service is called 'alter'; did you mean 'alder'?"),
    ({"step": "set"}, "no re-anchoring of alder goes on"),
    ({"step": "restored"}, "no re-anchoring of alder goes on"),
    ({"step": "cancel"}, "no re-anchoring of alder goes on"),
]


@pytest.mark.parametrize(("request_", "sentence"), REFUSED)
def test_a_request_is_refused_with_a_sentence(request_: dict[str, Any], sentence: str) -> None:
    assert low().ask(**request_) == {"ok": False, "error": sentence}


def test_a_way_that_is_not_open_is_refused_with_every_reason() -> None:
    hut = low()
    hut.alder(at_top(temperature_degc=2.0, protection=2), minutes=1)
    error = hut.begin()["error"]
    assert error.startswith("a temporary over-voltage threshold of alder is not open: ")
    assert "the pack is cold: 2.0 °C" in error
    assert "a protection trip stands: UNDER_VOLT" in error


def test_a_look_changes_nothing() -> None:
    hut = low()
    hut.alder(at_top(), seconds=20)
    before = json.dumps(hut.engine.snapshot()["packs"])
    hut.ask()
    assert json.dumps(hut.engine.snapshot()["packs"]) == before
    assert hut.step() == "none"


def test_a_pack_out_of_service_keeps_what_is_to_be_put_back() -> None:
    hut = low()
    hut.begin()
    state = json.loads(json.dumps(hut.engine.snapshot()))
    packs = hut_config().packs
    alder = packs["alder"].model_copy(update={"in_service": False})
    off = hut_config().model_copy(update={"packs": {**packs, "alder": alder}})
    without = Hut(state, off)
    without.seconds = hut.seconds
    without.run(minutes=1, birch=pack())
    again = Hut(json.loads(json.dumps(without.engine.snapshot())))
    again.seconds = without.seconds
    again.alder(in_use(70.0), minutes=1)
    assert raised(again)


def test_a_state_that_cannot_be_used_keeps_what_is_to_be_put_back() -> None:
    hut = low()
    hut.begin()
    state = json.loads(json.dumps(hut.engine.snapshot()))
    state["packs"]["alder"]["estimators"] = "nonsense"
    again = Hut(state)
    again.seconds = hut.seconds
    again.alder(in_use(70.0), minutes=1)
    assert raised(again)


def test_a_state_that_cannot_be_used_keeps_what_was_reported_last() -> None:
    hut = low(**OLD)
    hut.reports = dict(LOWERED)
    hut.alder(in_use(70.0), minutes=1)
    state = json.loads(json.dumps(hut.engine.snapshot()))
    state["packs"]["alder"]["estimators"] = "nonsense"
    again = Hut(state)
    again.seconds = hut.seconds
    again.alder(in_use(70.0), minutes=1)
    assert again.figures("pack/alder")["setting_overvoltage_v"] is None
    assert raised(again)


def test_a_day_without_watchd_goes_on_where_it_was() -> None:
    hut = low()
    hut.begin()
    hut.ask("set")
    for hours, step in ((5, "approaching"), (25, "put_back")):
        again = Hut(json.loads(json.dumps(hut.engine.snapshot())))
        again.seconds = hut.seconds + hours * 3600
        again.alder(in_use(70.0), minutes=1)
        figures = again.figures("pack/alder")
        assert (figures["reanchor_step"], raised(again)) == (step, True)


def test_no_flood_holds_back_that_a_threshold_is_to_be_put_back() -> None:
    hut = low(
        *rules_of('- {rule: high, about: cell, when: cell_v > 3.4, priority: high, say: "{pack}"}')
    )
    hut.begin()
    hut.ask("set")
    hut.alder(at_top(), minutes=5)
    assert hut.raised("alarm-flood", "service/watchd")
    trips_and_anchors(hut)
    assert hut.told()[-1] == "put_back"
