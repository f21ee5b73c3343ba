"""What a keeper reads at each step, on a terminal of 60 columns and on a phone.

The approved texts are in `texts_approved/reanchoring`. After a change of wording that is meant:

    WATCHD_APPROVE=1 python -m pytest tests/advice/reanchoring/test_step_texts.py
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from tests.advice.reanchoring.packs import CAN, KNEE_V, START, alder, begun, figures
from watchd.advice.reanchoring import CAUTION
from watchd.advice.reanchoring.assessment import assess
from watchd.advice.reanchoring.states import Because, Outcome, Procedure, Reading, Step, Way
from watchd.advice.reanchoring.texts import text_of
from watchd.commands.reanchor_texts import lines
from watchd.reanchor_records import step_annunciation, step_record, way_offered

APPROVED = Path(__file__).parents[2] / "texts_approved" / "reanchoring"
APPROVE = "WATCHD_APPROVE" in os.environ
AFTER = Reading(100.0, 99.6, 0.4, 0.6)
SET: dict[str, Any] = {"set_v": 3.515, "set_at": START + 600}
TRIPPED: dict[str, Any] = {**SET, "trips": 1, "tripped_at": START + 7200}
ANCHORED: dict[str, Any] = {**TRIPPED, "anchored_at": START + 7260, "after": AFTER}
RESTORED: dict[str, Any] = {**ANCHORED, "restored_at": START + 8400}
CHECKED: dict[str, Any] = {**RESTORED, "away": True, "highest_pct": 99.0}


def put_back(because: Because, **more: Any) -> Procedure:
    return begun(step=Step.PUT_BACK, because=because, **more)


STEPS: dict[str, Procedure] = {
    "absorption": begun(Way.ABSORPTION),
    "full-setting": begun(Way.FULL_SETTING),
    "full-setting-approaching": begun(Way.FULL_SETTING, step=Step.APPROACHING, set_v=3.485),
    "threshold": begun(),
    "threshold-approaching": begun(step=Step.APPROACHING, **SET),
    "threshold-tripped": begun(step=Step.TRIPPED, **TRIPPED),
    "put-back-anchored": put_back(Because.ANCHORED, **ANCHORED),
    "put-back-no-word": put_back(Because.NO_WORD),
    "put-back-no-trip": put_back(Because.NO_TRIP, **SET),
    "put-back-not-anchored": put_back(Because.NOT_ANCHORED, **TRIPPED),
    "put-back-other-trip": put_back(Because.OTHER_TRIP, **SET),
    "put-back-trips": put_back(Because.TRIPS, **{**ANCHORED, "trips": 3}),
    "put-back-other-value": put_back(Because.OTHER_VALUE, **{**SET, "set_v": 3.45}),
    "put-back-cold": put_back(Because.COLD, **SET),
    "put-back-silent": put_back(Because.SILENT, **SET),
    "put-back-cancelled": put_back(Because.CANCELLED),
    "checking": begun(step=Step.CHECKING, **RESTORED),
    "ended-held": begun(step=Step.ENDED, outcome=Outcome.HELD, **CHECKED),
    "ended-lost": begun(step=Step.ENDED, outcome=Outcome.LOST, **{**CHECKED, "highest_pct": 93.0}),
    "ended-failed": begun(Way.ABSORPTION, step=Step.ENDED, outcome=Outcome.FAILED),
    "ended-given-up": begun(step=Step.ENDED, outcome=Outcome.GIVEN_UP),
    "ended-unchecked": begun(step=Step.ENDED, outcome=Outcome.UNCHECKED, **RESTORED),
}


def told(procedure: Procedure) -> str:
    """Terminal, then phone."""
    step = {"step": step_record(procedure), "now": "Now: 55.9 V, 12 A."}
    phone = step_annunciation(procedure, procedure.since)
    shown = [f"{key}: {phone[key]}" for key in ("title", "priority", "text", "consequence")]
    return "\n".join([*lines(step), "", "On a phone:", *shown, ""])


def looked(*, needed: bool, **changed: Any) -> str:
    seen = figures(**changed)
    found = assess(alder(), seen, (), CAN, KNEE_V)
    assert found.needed is needed
    ways = [way_offered(offer) for offer in found.offers] if needed else []
    data = {
        "pack": "alder",
        "needed": found.needed,
        "assessment": list(found.sentences),
        "now": "Now: 53.4 V, 12 A.",
        "ways": ways,
        "records": [],
    }
    return "\n".join([*lines(data), ""])


def held_against(name: str, text: str) -> None:
    path = APPROVED / f"{name}.txt"
    if APPROVE:
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text("utf-8")


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")


@pytest.mark.parametrize("name", STEPS)
def test_a_step(name: str) -> None:
    held_against(name, told(STEPS[name]))


def test_a_look() -> None:
    held_against("look-open", looked(needed=True))
    passed_over = {
        "absorption_missed_h": 2.5,
        "reanchors_at": "never",
        "full_charges_missed": 4,
        "temperature_min_degc": 3.0,
        "telemetry_quality": "bad",
        "setting_full_v": 3.45,
    }
    held_against("look-passed-over", looked(needed=True, **passed_over))
    held_against("look-not-needed", looked(needed=False, soc_pct=99.0))


def test_nothing_stands_there_that_is_not_looked_at() -> None:
    names = {*STEPS, "look-open", "look-passed-over", "look-not-needed"}
    assert {path.stem for path in APPROVED.glob("*.txt")} == names


def test_every_reason_and_outcome_has_its_text() -> None:
    assert {p.because for p in STEPS.values()} - {None} == set(Because)
    assert {p.outcome for p in STEPS.values()} - {None} == set(Outcome)


@pytest.mark.parametrize("name", STEPS)
def test_who_is_to_change_a_setting_reads_the_caution(name: str) -> None:
    text = text_of(STEPS[name])
    asks = "BMS of alder, " in text.do or "Put the over-voltage" in text.do
    assert not asks or text.caution == CAUTION
    assert (text.caution == CAUTION) >= STEPS[name].may_be_in_place


def test_a_line_is_60_columns_at_most() -> None:
    for name, procedure in STEPS.items():
        for line in told(procedure).split("On a phone:", maxsplit=1)[0].splitlines():
            assert len(line) <= 60, f"{name}: {line}"


@pytest.mark.parametrize("step", STEPS)
def test_a_phone_shows_what_is_to_be_done_before_the_caution(step: str) -> None:
    text, phone = text_of(STEPS[step]), step_annunciation(STEPS[step], START)
    assert len(phone["title"]) <= 60
    assert phone["title"].startswith("alder: ")
    wanted = [line for line in (text.brief, text.do, text.caution) if line]
    assert phone["message"].split("\n") == wanted
    assert phone.get("caution", "") == text.caution
    # Values, their order and the caution need their room; nothing else may take it.
    assert len(phone["message"]) <= 430
