"""What people ask on the request topic: what is done, what is answered, what is refused and why."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.scene import START, Scene, config_of, leading, pack, rules_of
from watchd.publish import Publish

RULES = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, on_delay: 47 s, priority: high,
   say: "{pack} {cell_spread_mv:.0f} mV"}
- {rule: latch, about: pack, when: cell_spread_mv > 40, latching: yes, priority: high, say: latch}
- {rule: cell-high, about: cell, when: cell_v > 3.5, priority: low, say: "{pack} cell {cell}"}
""")
SPREAD, LATCH = "spread/pack/alder", "latch/pack/alder"


def raised() -> Scene:
    """Alder's cells are 60 mV apart; its alarms stand."""
    hut = Scene(RULES)
    hut.run(minutes=2, alder=pack(cell_v=leading(3.40, by_mv=60)))
    hut.transitions.clear()
    return hut


def ask(hut: Scene, do: str, alarm: str | None = None, **more: Any) -> dict[str, Any]:
    """A request with an answer topic; the answer."""
    request = {"do": do, **({"alarm": alarm} if alarm is not None else {}), **more}
    said = hut.feed("watchd/request", request, reply_to="phone/answer", correlation=b"7")
    return answer_in(said)


def answer_in(said: list[Publish]) -> dict[str, Any]:
    """The one answer among messages."""
    (message,) = [p for p in said if p.topic == "phone/answer"]
    assert (message.correlation, message.retain, message.qos) == (b"7", False, 1)
    data: dict[str, Any] = json.loads(message.payload)
    return data


def state(hut: Scene, alarm: str = SPREAD) -> str:
    """As its retained record has it."""
    record = hut.retained.get(f"watchd/alarm/{alarm}")
    return "normal" if record is None else str(record["state"])


def test_acknowledge() -> None:
    hut = raised()
    done = {"ok": True, "alarm": SPREAD, "state": "acknowledged"}
    assert ask(hut, "acknowledge", SPREAD, by="Kim") == done
    assert state(hut) == "acknowledged"
    assert [(str(t.event), t.by) for t in hut.transitions] == [("acknowledged", "Kim")]
    # Returned and acknowledged, it is normal, and its record goes.
    hut.run(minutes=2, alder=pack())
    assert f"watchd/alarm/{SPREAD}" not in hut.retained


def test_reset() -> None:
    hut = raised()
    refused = {"ok": False, "error": f"{LATCH} is unacknowledged: its condition still stands"}
    assert ask(hut, "reset", LATCH) == refused
    hut.run(seconds=5, alder=pack())
    assert state(hut, LATCH) == "latched_unacknowledged"
    refused = {"ok": False, "error": f"{LATCH} is latched unacknowledged: acknowledge it first"}
    assert ask(hut, "reset", LATCH) == refused
    assert ask(hut, "acknowledge", LATCH)["state"] == "latched_acknowledged"
    hut.transitions.clear()
    assert ask(hut, "reset", LATCH) == {"ok": True, "alarm": LATCH, "state": "normal"}
    assert [str(t.event) for t in hut.transitions] == ["reset"]
    assert f"watchd/alarm/{LATCH}" not in hut.retained
    refused = {"ok": False, "error": f"{LATCH} is normal: there is nothing to reset"}
    assert ask(hut, "reset", LATCH) == refused


def test_shelve_for_a_time() -> None:
    hut = raised()
    done = {"ok": True, "alarm": SPREAD, "state": "shelved"}
    assert ask(hut, "shelve", SPREAD, **{"for": "10 min"}) == done
    assert hut.retained[f"watchd/alarm/{SPREAD}"]["shelved_until"] == "2026-09-21T14:25:20.000Z"
    hut.said.clear()
    hut.run(seconds=599, alder=pack(cell_v=leading(3.40, by_mv=60)))
    assert state(hut) == "shelved"
    assert not [p for p in hut.said if p.topic == "watchd/annunciation"]
    hut.run(seconds=1)
    assert state(hut) == "unacknowledged"
    assert [p.topic for p in hut.said].count("watchd/annunciation") == 1


def test_the_end_of_a_shelf_comes_by_itself_also_where_nothing_else_is_due() -> None:
    hut = raised()
    ask(hut, "shelve", SPREAD, **{"for": "3 s"})
    hut.engine.tick(START + 130)
    (ended,) = [t for t in hut.engine.take_transitions() if t.key == SPREAD]
    assert (str(ended.event), ended.at) == ("unshelved", START + 123)


def test_shelve_until_it_has_cleared() -> None:
    hut = raised()
    assert ask(hut, "shelve", SPREAD, until_cleared=True)["state"] == "shelved"
    record = hut.retained[f"watchd/alarm/{SPREAD}"]
    assert record["until_cleared"] is True
    assert record["shelved_until"] == "2026-09-28T14:15:20.000Z"  # the longest: a week
    hut.run(seconds=5, alder=pack())
    assert state(hut) == "normal"


def test_unshelve() -> None:
    hut = raised()
    ask(hut, "shelve", SPREAD, **{"for": "8 h"})
    done = {"ok": True, "alarm": SPREAD, "state": "unacknowledged"}
    assert ask(hut, "unshelve", SPREAD) == done
    refused = {"ok": False, "error": f"{SPREAD} is unacknowledged: it is not shelved"}
    assert ask(hut, "unshelve", SPREAD) == refused


def test_out_of_service_and_back() -> None:
    hut = raised()
    done = {"ok": True, "alarm": SPREAD, "state": "out_of_service"}
    assert ask(hut, "out_of_service", SPREAD) == done
    for do, why, more in (
        ("out_of_service", "it is so already", {}),
        ("shelve", "return it to service before it is shelved", {"for": "1 h"}),
        ("unshelve", "it is not shelved", {}),
    ):
        refused = {"ok": False, "error": f"{SPREAD} is out of service: {why}"}
        assert ask(hut, do, SPREAD, **more) == refused
    done = {"ok": True, "alarm": SPREAD, "state": "unacknowledged"}
    assert ask(hut, "in_service", SPREAD) == done
    refused = {"ok": False, "error": f"{SPREAD} is unacknowledged: it is in service already"}
    assert ask(hut, "in_service", SPREAD) == refused


def test_list_has_what_is_not_normal_or_all() -> None:
    hut = raised()
    hut.run(seconds=5, alder=pack())
    ask(hut, "shelve", "latch/alder", **{"for": "1 h"}, by="Kim")
    assert [(str(t.event), t.by) for t in hut.transitions][-1] == ("shelved", "Kim")
    found = ask(hut, "list")
    assert found["ok"]
    assert found["left_out"] == 0
    assert {a["alarm"]: a["state"] for a in found["alarms"]} == {
        SPREAD: "returned_unacknowledged",
        LATCH: "shelved",
    }
    spread = next(a for a in found["alarms"] if a["alarm"] == SPREAD)
    assert spread == {"alarm": SPREAD, **hut.retained[f"watchd/alarm/{SPREAD}"]}
    # Two rules on two packs, one on their cells, and those of watchd itself.
    own = [a for a in hut.engine.alarms() if a.subject == "service/watchd"]
    assert len(ask(hut, "list", all=True)["alarms"]) == 4 + 32 + len(own)


def test_a_list_that_would_be_too_long_says_what_it_leaves_out() -> None:
    many = "".join(
        f'- {{rule: cell-{n}, about: cell, when: cell_v > 0, priority: journal, say: ""}}\n'
        for n in range(20)
    )
    hut = Scene(rules_of(many))
    hut.run(seconds=5, alder=pack(), birch=pack())
    found = ask(hut, "list")
    assert (len(found["alarms"]), found["left_out"]) == (500, 20 * 32 - 500)


def test_why() -> None:
    hut = raised()
    found = ask(hut, "why", "spread/alder")
    assert found["ok"]
    assert found["why"]["alarm"] == SPREAD
    assert found["why"]["raised_s"] == 73
    assert found["why"]["conditions"]["when"]["value"] == 60
    assert hut.transitions == []


@pytest.mark.parametrize("alarm", [SPREAD, "cell-high/cell/birch/3", "alarm-flood/service/watchd"])
def test_why_before_anything_has_come(alarm: str) -> None:
    found = ask(Scene(RULES), "why", alarm)
    assert (found["ok"], found["why"]["state"]) == (True, "normal")


def test_history_is_a_query_for_the_shell() -> None:
    hut = raised()
    for request, reply_to in (
        ({"do": "history"}, "phone/answer"),
        ({"do": "history", "alarm": "spread/alder", "since": "1 h"}, "phone/answer"),
        ({"do": "history"}, None),
        ({"do": "history"}, "hut/alder/state"),
    ):
        assert hut.feed("watchd/request", request, reply_to=reply_to, correlation=b"7") == []
    everything, spread = hut.engine.take_queries()
    assert (everything.alarm, everything.since, everything.correlation) == (None, 0.0, b"7")
    assert (spread.alarm, spread.since) == (SPREAD, START + 120 - 3600)
    assert spread.reply_to == "phone/answer"
    assert hut.engine.take_queries() == []
    error = ask(hut, "history", "sprad/alder")["error"]
    assert error.startswith("no alarm is called 'sprad/alder'; did you mean 'spread/pack/alder'")


def test_history_is_in_the_reckoning_of_a_clock_that_was_set() -> None:
    hut = raised()
    hut.engine.step_clock(500.0)
    hut.seconds += 500
    hut.feed("watchd/request", {"do": "history", "since": "1 h"}, reply_to="phone/answer")
    assert hut.engine.take_queries()[0].since == START + 120 + 500 - 3600


ALL_THAT_CAN_BE = (
    "'acknowledge', 'audit', 'history', 'in_service', 'list', 'out_of_service', "
    "'reanchor', 'reset', 'shelve', 'unshelve', 'why'"
)
REFUSED: list[tuple[Any, str | None]] = [
    (b"", "Invalid JSON: EOF while parsing a value at line 1 column 0"),
    (b"[]", "Input should be an object"),
    (b"x" * 5000, "larger than 4096 bytes"),
    (
        {"do": "open", "alarm": "x"},
        f"do: 'open' cannot be asked; expected one of {ALL_THAT_CAN_BE}",
    ),
    ({"do": "aknowledge"}, "do: 'aknowledge' cannot be asked; did you mean 'acknowledge'?"),
    ({"do": "acknowledge"}, "'acknowledge' needs an alarm: RULE/SUBJECT"),
    ({"do": "why"}, "'why' needs an alarm: RULE/SUBJECT"),
    ({"do": "list", "al": True}, "al: unknown key; did you mean 'all'?"),
    (
        {"do": "acknowledge", "alarm": "spred/pack/alder"},
        "no alarm is called 'spred/pack/alder'; did you mean 'spread/pack/alder'?",
    ),
    (
        {"do": "acknowledge", "alarm": "spread/pack/birch"},
        "spread/pack/birch is normal: there is nothing to acknowledge",
    ),
    ({"do": "reset", "alarm": SPREAD}, None),
    ({"do": "shelve", "alarm": SPREAD}, "to shelve, give 'for' or 'until_cleared'"),
    (
        {"do": "shelve", "alarm": SPREAD, "for": "1 h", "until_cleared": True},
        "to shelve, give 'for' or 'until_cleared'",
    ),
    (
        {"do": "shelve", "alarm": SPREAD, "for": "8 d"},
        "8 d is longer than alarms: longest_shelve allows (7 d)",
    ),
    (
        {"do": "shelve", "alarm": SPREAD, "for": "soon"},
        "for: 'soon' is not a duration; write a number and s, min, h or d, such as '30 s'",
    ),
    (
        {"do": "shelve", "alarm": SPREAD, "for": "0 s"},
        "for: Input should be greater than 0",
    ),
    ({"do": "list", "by": "x" * 61}, "by: String should have at most 60 characters"),
]
LATCHLESS = f"{SPREAD} is unacknowledged: its condition still stands, and it does not latch"


@pytest.mark.parametrize(("payload", "error"), REFUSED)
def test_refused(payload: Any, error: str | None) -> None:
    hut = raised()
    said = hut.feed("watchd/request", payload, reply_to="phone/answer", correlation=b"7")
    assert answer_in(said) == {"ok": False, "error": error or LATCHLESS}
    assert len(said) == 1
    assert hut.transitions == []
    note = hut.engine.take_notes()[-1]
    assert note.event == "request refused"
    assert (error or LATCHLESS) in note.fields.values()


def test_how_long_an_alarm_may_be_shelved_is_the_keepers_to_say() -> None:
    text = config_of().model_copy(
        update={"alarms": config_of().alarms.model_copy(update={"longest_shelve": 3600.0})}
    )
    hut = Scene(RULES, config=text)
    hut.run(seconds=5, alder=pack())
    error = ask(hut, "shelve", SPREAD, **{"for": "61 min"})["error"]
    assert error == "61 min is longer than alarms: longest_shelve allows (1 h)"
    assert ask(hut, "shelve", SPREAD, **{"for": "60 min"})["ok"]
    ask(hut, "shelve", SPREAD, until_cleared=True)
    assert hut.retained[f"watchd/alarm/{SPREAD}"]["shelved_until"] == "2026-09-21T15:13:25.000Z"


def test_without_an_answer_topic_it_is_done_all_the_same() -> None:
    hut = raised()
    hut.feed("watchd/request", {"do": "acknowledge", "alarm": SPREAD})
    assert state(hut) == "acknowledged"


def test_the_answer_topic_may_stand_in_the_payload() -> None:
    """MQTT 3.1.1 has no response topic."""
    hut = raised()
    request = {"do": "acknowledge", "alarm": SPREAD, "reply_to": "watchd/response/phone"}
    said = hut.feed("watchd/request", request)
    assert json.loads(said[-1].payload)["ok"]
    assert said[-1].topic == "watchd/response/phone"
    # Also where it is refused; and that of the message goes before.
    assert not json.loads(hut.feed("watchd/request", request)[-1].payload)["ok"]
    assert hut.feed("watchd/request", request, reply_to="own/answer")[-1].topic == "own/answer"


def test_a_retained_request_is_history() -> None:
    hut = raised()
    hut.feed("watchd/request", {"do": "acknowledge", "alarm": SPREAD}, retained=True)
    assert state(hut) == "unacknowledged"


HARM = ["hut/alder/state", "hut/alder/cell/3", "watchd/service", "a/+", "#", "", "$SYS/x"]


@pytest.mark.parametrize(
    ("topic", "in_payload"),
    [
        *((topic, in_payload) for topic in HARM for in_payload in (False, True)),
        # Only MQTT 5's own response topic, which a client sets for itself, may be anywhere.
        ("inverter/set", True),
        ("phone/answer", True),
        ("watchd/response/+", True),
        ("watchd/response", True),
    ],
)
def test_no_answer_goes_where_it_could_do_harm(topic: str, in_payload: bool) -> None:
    hut = raised()
    request = {"do": "acknowledge", "alarm": SPREAD}
    if in_payload:
        said = hut.feed("watchd/request", {**request, "reply_to": topic})
    else:
        said = hut.feed("watchd/request", request, reply_to=topic)
    assert [p.topic for p in said] == [f"watchd/alarm/{SPREAD}"]


def test_an_answer_may_go_below_our_own_response_branch() -> None:
    hut = raised()
    said = hut.feed("watchd/request", b"{}", reply_to="watchd/response/phone")
    assert said[-1].topic == "watchd/response/phone"


def test_a_refusal_too_goes_where_the_payload_says() -> None:
    hut = raised()
    said = hut.feed("watchd/request", {"do": "explode", "reply_to": "watchd/response/me"})
    assert [p.topic for p in said if b'"ok":false' in p.payload] == ["watchd/response/me"]
    for wrong in (b"\xff", b"[]", b'{"reply_to": 7}', b'{"reply_to": "x"}', b"[" * 3000):
        said = hut.feed("watchd/request", wrong)
        assert not [p for p in said if b'"ok"' in p.payload]
