"""Annunciations on their way to the broker: which it has, and which are still to be sent."""

from __future__ import annotations

import json

from watchd.publish import Publish
from watchd.shell.mqtt import annunciations as module
from watchd.shell.mqtt.annunciations import Annunciations

TOPIC = "watchd/annunciation"


def said(*texts: str) -> list[Publish]:
    return [Publish(TOPIC, text.encode()) for text in texts]


def texts(waiting: Annunciations) -> list[str]:
    return [m.payload.decode() for m in waiting.waiting()]


def test_what_was_delivered_waits_no_more() -> None:
    waiting = Annunciations(TOPIC)
    one, two, three = said("one", "two", "three")
    other = [Publish("watchd/alarm/a/b", b"{}", retain=True), Publish("answers/me", b"{}")]
    assert waiting.take([one, *other, two]) == [one, two]
    waiting.take([three])
    assert waiting.delivered(one) == 1
    assert waiting.delivered(other[1]) is None
    assert texts(waiting) == ["two", "three"]
    # One before it was dropped on the way: the broker gets them in order, so it comes no more.
    assert waiting.delivered(three) == 3
    assert texts(waiting) == []


def test_it_goes_on_from_its_snapshot() -> None:
    waiting = Annunciations(TOPIC)
    waiting.take(said("one", "two °C", "three"))
    waiting.told(1)
    again = Annunciations(TOPIC, json.loads(json.dumps(waiting.snapshot())))
    assert texts(again) == ["two °C", "three"]
    again.take(said("four"))
    again.told(3)
    assert texts(again) == ["four"]


def test_the_brokers_copy_settles_it_and_those_before() -> None:
    waiting = Annunciations(TOPIC)
    one, two, three = said("one", "two", "three")
    waiting.take([one, two, three])
    assert waiting.newest_at_broker(b"from last week") is None
    assert waiting.newest_at_broker(b"two") == (2, [one, two])
    assert texts(waiting) == ["three"]


def test_it_is_bounded() -> None:
    waiting = Annunciations(TOPIC)
    waiting.take(said(*(str(n) for n in range(module.MOST + 10))))
    assert len(waiting.waiting()) == module.MOST
    assert texts(waiting)[0] == "10"
