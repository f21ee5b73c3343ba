"""Acknowledging by request, with an answer (MQTT 5) and without (3.1.1)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Start
from tests.service.hut import ALARM, ANNUNCIATION, REQUEST, write_config

pytestmark = pytest.mark.broker

HIGH = pack(cell_v=leading(3.42, by_mv=60))
ACKNOWLEDGE = {"do": "acknowledge", "alarm": "cell-high/pack/alder"}


@pytest.fixture
def bridge(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> Iterator[Bridge]:
    """A hut that is watched."""
    watchd(write_config(tmp_path, broker.port)).works()
    with Bridge(broker.port) as bridge:
        yield bridge


@pytest.fixture
def listener(broker: BrokerProcess) -> Iterator[Listener]:
    """Who listens to watchd, and to the answers."""
    with Listener(broker.port, "watchd/#", "hut/#") as listener:
        yield listener


def test_an_alarm_is_acknowledged_and_its_record_goes_when_it_returns(
    broker: BrokerProcess, bridge: Bridge, listener: Listener
) -> None:
    bridge.says(alder=HIGH)
    listener(ALARM, lambda d: d["state"] == "unacknowledged")
    listener.send(REQUEST, ACKNOWLEDGE, reply_to="answers/me", correlation=b"\x00\xffnumber 7")
    assert listener.answer(b"\x00\xffnumber 7") == {
        "ok": True,
        "alarm": "cell-high/pack/alder",
        "state": "acknowledged",
    }
    assert not listener("answers/me").retain
    record = listener(ALARM, lambda d: d["state"] == "acknowledged")
    assert record.retain
    assert record.data["text"] == "alder: cell 7 is at 3.480 V", "the text stays"
    listener.hear_all()
    assert len(listener.on(ANNUNCIATION)) == 1, "an acknowledgement is no news for a phone"

    bridge.says(alder=pack(cell_v=cells()))
    assert listener(ALARM, lambda d: d is None).retain
    assert ALARM not in retained(broker.port, "watchd/#")


def test_without_an_answer_over_3_1_1(broker: BrokerProcess, bridge: Bridge) -> None:
    with Listener(broker.port, v5=False) as listener:
        bridge.says(alder=HIGH)
        listener(ALARM, lambda d: d["state"] == "unacknowledged")
        at = listener.now
        bridge.says(alder=pack(cell_v=cells()))
        listener(ALARM, lambda d: d["state"] == "returned_unacknowledged", since=at)
        listener.send(REQUEST, ACKNOWLEDGE)
        listener(ALARM, lambda d: d is None, since=at)
        assert ALARM not in retained(broker.port, "watchd/#")


BAD_REQUESTS: list[tuple[Any, str]] = [
    (b"acknowledge", "Invalid JSON"),
    (b"", "Invalid JSON"),
    (b"\xff\xfe", "Invalid JSON"),
    ([], "object"),
    ({"alarm": "cell-high/pack/alder"}, "do: Field required"),
    ({"do": "explode", "alarm": "cell-high/pack/alder"}, "do: 'explode' cannot be asked"),
    ({**ACKNOWLEDGE, "force": True}, "force: unknown key"),
    ({"do": "acknowledge", "alarm": 7}, "alarm: Input should be a valid string"),
    ({"do": "acknowledge", "alarm": "a" * 5000}, "larger than 4096 bytes"),
    ({"do": "acknowledge", "alarm": "cell-high/pack/elm"}, "no alarm is called"),
    (ACKNOWLEDGE, "is normal: there is nothing to acknowledge"),
]


def test_bad_requests_are_answered_with_a_reason(bridge: Bridge, listener: Listener) -> None:
    del bridge  # nothing is raised
    for number, (payload, _) in enumerate(BAD_REQUESTS):
        listener.send(REQUEST, payload, reply_to="answers/me", correlation=b"%d" % number)
    for number, (payload, why) in enumerate(BAD_REQUESTS):
        answer = listener.answer(b"%d" % number)
        assert answer["ok"] is False, payload
        assert why in answer["error"], payload


def test_no_answer_goes_where_telemetry_or_watchds_own_state_is(
    bridge: Bridge, listener: Listener
) -> None:
    del bridge
    refused = [
        "hut/alder/state",
        "hut/birch/cell/3",
        "watchd/request",
        "watchd/service",
        "watchd/alarm/cell-high/pack/alder",
        "watchd/charge-limit/hut/amps",
    ]
    for topic in refused:
        listener.send(REQUEST, {"do": "no"}, reply_to=topic, correlation=b"elsewhere")
    # Requests are done in their order: once this one is answered, so would the others be.
    listener.send(REQUEST, {"do": "no"}, reply_to="answers/me", correlation=b"here")
    listener.answer(b"here")
    listener.catch_up()
    answered = [h.topic for h in listener.heard if b'"ok":' in h.payload]
    assert answered == ["answers/me"]
