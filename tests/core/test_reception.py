"""Who asks, how often, and where an answer may go: looked at before a request is read."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.scene import CONFIG, Scene, config_of, leading, pack, rules_of
from watchd.alarms.records import journal_entry
from watchd.config import Config, Requests
from watchd.errors import WatchdError
from watchd.publish import Publish
from watchd.reception import LONGEST_CORRELATION, MOST_NAMES, Limiter
from watchd.requests import answer_topic

RULES = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, priority: high, say: "{pack}"}
""")
KEY = "spread/pack/alder"
ACKNOWLEDGE = {"do": "acknowledge", "alarm": KEY}


def hut_with(**requests: Any) -> Scene:
    """A hut in which an alarm stands, with this section of its config."""
    config: Config = config_of().model_copy(update={"requests": Requests(**requests)})
    hut = Scene(RULES, config)
    hut.feed("hut/alder/state", pack(cell_v=leading(3.40, by_mv=60)))
    assert hut.raised("spread", "pack/alder")
    hut.transitions.clear()
    return hut


def ask(hut: Scene, name: str = "", reply_to: str = "phone/answer", **request: Any) -> list[Any]:
    """The answers to a request on the topic of this name."""
    topic = f"watchd/request/{name}" if name else "watchd/request"
    said = hut.feed(topic, request or {"do": "list"}, reply_to=reply_to, correlation=b"7")
    return [json.loads(p.payload) for p in said if p.topic == reply_to]


def asked_by(hut: Scene) -> dict[str, Any]:
    (moved,) = hut.transitions
    entry = journal_entry(moved)
    return {k: entry[k] for k in ("by", "by_how", "claim") if k in entry}


@pytest.mark.parametrize(
    ("name", "claim", "journalled"),
    [
        ("keeper", "Kim", {"by": "keeper", "by_how": "topic", "claim": "Kim"}),
        ("keeper", "keeper", {"by": "keeper", "by_how": "topic"}),
        ("keeper", "", {"by": "keeper", "by_how": "topic"}),
        ("", "keeper", {"by": "keeper", "by_how": "claim"}),
        ("", "", {"by": ""}),
    ],
)
def test_the_journal_says_who_asked_and_how_that_is_known(
    name: str, claim: str, journalled: dict[str, str]
) -> None:
    hut = hut_with()
    assert ask(hut, name, **ACKNOWLEDGE, by=claim)[0]["ok"] is True
    assert asked_by(hut) == journalled


@pytest.mark.parametrize("name", ["a" * 61, "a\u200bb", "a\nb"])
def test_a_name_that_nobody_could_read_is_refused(name: str) -> None:
    hut = hut_with()
    assert ask(hut, name, **ACKNOWLEDGE) == []
    assert hut.raised("spread", "pack/alder")
    assert hut.transitions == []
    assert hut.counts()["requests_refused"] == 1


def test_requests_can_be_switched_off() -> None:
    hut = hut_with(enabled=False)
    assert ask(hut, **ACKNOWLEDGE) == ask(hut, "keeper", **ACKNOWLEDGE) == []
    assert hut.transitions == []
    assert "requests" not in hut.counts()


def test_named_only() -> None:
    hut = hut_with(named_only=True)
    assert ask(hut, **ACKNOWLEDGE) == []
    assert hut.transitions == []
    assert ask(hut, "keeper", **ACKNOWLEDGE)[0]["ok"] is True
    for deeper in ("keeper/more", "keeper/", "/keeper"):
        assert ask(hut, deeper) == [], "that is no name of a user"


def test_who_floods_is_refused_and_locks_out_nobody_else() -> None:
    hut = hut_with(most_a_minute=30)
    answers = [answer for _ in range(10_000) for answer in ask(hut, "flooder")]
    assert [a["ok"] for a in answers] == [True] * 30 + [False], "one refusal a second is answered"
    assert answers[-1]["error"] == "too many requests: 30 a minute are taken; not done, ask again"
    assert answers[-1]["again_in_s"] == 2.0
    assert ask(hut, "keeper", **ACKNOWLEDGE)[0]["ok"] is True
    assert ask(hut)[0]["ok"] is True, "nor who has no name"
    assert hut.counts()["requests_refused"] == 10_000 - 30
    notes = [n for n in hut.engine.take_notes() if n.event == "request refused"]
    assert [(n.fields["topic"], n.fields["reason"]) for n in notes] == [
        ("watchd/request/flooder", "too many requests")
    ]
    hut.seconds += 1.0
    assert [a["ok"] for _ in range(5) for a in ask(hut, "flooder")] == [False]
    hut.seconds += 1.0
    assert [a["ok"] for a in ask(hut, "flooder")] == [True], "as told, after 2 s"


def test_a_hundred_thousand_names_share_what_memory_there_is() -> None:
    limiter = Limiter(30)
    taken = sum(limiter.wait_s(f"n{number}", 0.0) == 0.0 for number in range(100_000))
    # Each of those that came first has one of its own; all the others have one together.
    assert (taken, len(limiter)) == (MOST_NAMES + 30, MOST_NAMES + 1)
    assert limiter.wait_s("n5", 0.0) == 0.0
    assert limiter.wait_s("n99999", 0.0) == 2.0
    # Who is as if it never had asked makes room.
    assert limiter.wait_s("late", 60.0) == 0.0
    assert len(limiter) <= 2


def test_a_clock_that_goes_back_gives_nobody_more() -> None:
    limiter = Limiter(1)
    assert limiter.wait_s("a", 100.0) == 0.0
    assert limiter.wait_s("a", 50.0) == pytest.approx(60.0)
    assert limiter.wait_s("a", 100.0) == pytest.approx(10.0)


def test_long_correlation_data_is_refused() -> None:
    hut = hut_with()
    said = hut.feed(
        "watchd/request", ACKNOWLEDGE, reply_to="a/b", correlation=b"x" * (LONGEST_CORRELATION + 1)
    )
    (answer,) = [p for p in said if p.topic == "a/b"]
    assert (answer.correlation, json.loads(answer.payload)["ok"]) == (b"", False)
    assert hut.transitions == []


# MQTT 5's response topic, what the config says of `answer_below`, and whether an answer goes there.
ANSWERED: list[tuple[str, list[str] | None, bool]] = [
    ("watchd/response/me", None, True),
    ("phone/answer", None, True),
    ("phone/answer", ["phone"], True),
    ("phone/answer", ["phone/"], True),
    ("phone/answer", ["phone/answer"], False),
    ("phones/answer", ["phone"], False),
    ("phone/answer", [], False),
    ("watchd/response/me", [], True),
    ("watchd/response/", None, True),
    # Telemetry, and what else belongs to who sends it: there are commands.
    ("hut/alder/state", None, False),
    ("hut/alder/set/charge", None, False),
    ("hut/alder/cell/3", ["hut"], False),
    ("hut", None, False),
    # watchd's own.
    ("watchd", None, False),
    ("watchd/request", None, False),
    ("watchd/request/keeper", None, False),
    ("watchd/request/keeper", ["watchd"], False),
    ("watchd/alarm/spread/pack/alder", None, False),
    ("watchd/charge-limit/hut/amps", None, False),
    ("watchd/service", None, False),
    # What is no topic to publish on, or ends the connection of who does.
    ("", None, False),
    ("#", None, False),
    ("phone/+", None, False),
    ("watchd/response/#", None, False),
    ("watchd/response/+/x", None, False),
    ("$SYS/broker/uptime", None, False),
    ("$share/x/y", None, False),
    ("phone/\0", None, False),
    ("watchd/response/\x01", None, False),
    ("watchd/response/\x85", None, False),
    ("watchd/response/\uffff", None, False),
    ("watchd/response/\U0001fffe", None, False),
    ("watchd/response/\ud800", None, False),
    ("watchd/response/" + "a" * 984, None, True),
    ("watchd/response/" + "a" * 985, None, False),
    ("watchd/response/" + "ä" * 493, None, False),
]


@pytest.mark.parametrize(("topic", "below", "answered"), ANSWERED)
def test_where_an_answer_may_go(topic: str, below: list[str] | None, answered: bool) -> None:
    hut = hut_with(answer_below=below)
    said = hut.feed("watchd/request", {"do": "list"}, reply_to=topic)
    assert [p.topic for p in said if p.payload.startswith(b'{"ok"')] == [topic] * answered
    if not answered:
        notes = [n.event for n in hut.engine.take_notes()]
        assert notes == ["request not answered"], "the keeper can find out why"


@pytest.mark.parametrize(
    ("topic", "answered"),
    [
        ("watchd/response/me", True),
        ("phone/answer", False),
        ("watchd/response", False),
        ("watchd/response/\ud800", False),
        ("watchd/response/\x00", False),
        (["watchd/response/me"], False),
        (7, False),
    ],
)
def test_where_an_answer_may_go_that_the_payload_names(topic: Any, answered: bool) -> None:
    payload = json.dumps({"do": "list", "reply_to": topic}).encode()
    found = answer_topic(None, payload, "watchd", ["phone"])
    assert found == (topic if answered else None)


def test_an_answer_is_no_request_of_its_own() -> None:
    """Two daemons whose answers are each other's requests would go on for ever."""
    hut = hut_with()
    (answered,) = [
        p for p in hut.feed("watchd/request", {"do": "no"}, reply_to="b/request") if not p.retain
    ]
    other = Scene(RULES, config_of().model_copy(update={"prefix": "b"}))
    said = other.feed(answered.topic, answered.payload)
    assert [p for p in said if not p.retain] == []


def left_by_a_stranger(hut: Scene, topic: str) -> list[Publish]:
    said = hut.feed(topic, {"rubbish": True}, retained=True)
    return [p for p in said if p.topic == topic]


def test_what_a_stranger_has_left_is_taken_away_and_no_faster_than_that() -> None:
    hut = hut_with()
    gone = [
        p
        for number in range(5000)
        for p in left_by_a_stranger(hut, f"watchd/alarm/spread/pack/{number}")
    ]
    assert len(gone) == 1000
    assert {(p.payload, p.retain) for p in gone} == {(b"", True)}
    assert left_by_a_stranger(hut, f"watchd/alarm/{KEY}") == [], "that one stands"
    notes = [n.event for n in hut.engine.take_notes()]
    assert notes == ["not taken away"]


@pytest.mark.parametrize(
    "setting",
    ["[]", "{enabled: 1}", "{most_a_minute: 0}", "{most_a_minute: 1e9}", "{answer_below: ['a/#']}",
     "{answer_below: ['$SYS']}", "{answer_below: ['']}", "{named: yes}"],
)  # fmt: skip
def test_settings_that_are_refused(setting: str) -> None:
    text = CONFIG.replace("requests: {most_a_minute: 100000}", f"requests: {setting}")
    assert text != CONFIG
    with pytest.raises(WatchdError) as error:
        config_of(text)
    assert error.value.problems[0].place is not None
