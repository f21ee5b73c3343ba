"""From payloads to what is told."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.phone.notice import PRIORITIES, Kind, annunciation, digest

SAID = {
    "at": "2026-06-21T08:00:00.000Z",
    "title": "alder: cell high",
    "text": "alder: cell 7 is at 3.480 V",
    "priority": "critical",
    "alarm": "cell-high/pack/alder",
    "event": "raised",
    "consequence": "The pack trips.",
    "response": "Charge with less current.",
}


def payload(**instead: Any) -> bytes:
    return json.dumps({**SAID, **instead}).encode()


def test_an_annunciation() -> None:
    found = annunciation(payload(), 0.0)
    assert found is not None
    assert (found.kind, found.priority, found.title) == (
        Kind.ANNUNCIATION, "critical", "alder: cell high",
    )  # fmt: skip
    assert found.body == "alder: cell 7 is at 3.480 V\nCharge with less current."
    assert (found.at, found.alarm) == (1782028800.0, "cell-high/pack/alder")


def test_its_message_is_taken_where_there_is_one() -> None:
    found = annunciation(payload(message="3.480 V against 3.450 V\nDo this."), 0.0)
    assert found is not None
    assert found.body == "3.480 V against 3.450 V\nDo this."


def test_a_step_of_a_re_anchoring_has_no_alarm() -> None:
    data = {k: v for k, v in SAID.items() if k not in ("alarm", "event")}
    found = annunciation(json.dumps({**data, "reanchor": "alder", "step": "set"}).encode(), 0.0)
    assert found is not None
    assert found.alarm is None


def test_the_same_said_twice_has_one_identity() -> None:
    one, again, later = (
        annunciation(p, now)
        for p, now in (
            (payload(), 1.0), (payload(), 2.0), (payload(at="2026-06-21T08:00:01Z"), 1.0),
        )
    )  # fmt: skip
    assert one is not None
    assert again is not None
    assert later is not None
    assert one.identity == again.identity != later.identity


def test_an_unknown_urgency_is_kept_from_nobody() -> None:
    found = annunciation(payload(priority="urgent!"), 0.0)
    assert found is not None
    assert found.priority == "high"


@pytest.mark.parametrize("given", [b"", b"x", b"[]", b"{}", b"1", b"\xff", b"[" * 100_000])
def test_what_is_none(given: bytes) -> None:
    assert annunciation(given, 0.0) is None
    assert digest(given, 0.0, "daily") is None


def test_a_digest() -> None:
    raw = json.dumps({"at": SAID["at"], "title": "A good day", "message": "a\nb"}).encode()
    found = digest(raw, 0.0, "weekly")
    assert found is not None
    assert (found.kind, found.priority, found.body) == (Kind.DIGEST, "low", "a\nb")


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)


@given(st.dictionaries(st.sampled_from([*SAID, "message"]), _JSON | st.text()))
def test_any_object_gives_text_that_services_take_or_nothing(data: dict[str, Any]) -> None:
    found = annunciation(json.dumps(data).encode(), 5.0)
    if found is not None:
        assert found.priority in PRIORITIES
        assert all(c.isprintable() or c == "\n" for c in found.title + found.body)
        assert len(found.title) <= 200
        assert len(found.body) <= 4000
        assert found.at >= 0
