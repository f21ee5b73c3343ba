"""What is suggested, as it goes out: three kinds, each a record and a plain number."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import pytest

from tests.scene import CONFIG, START, Scene, cells, config_of, leading, pack
from watchd.config import Config
from watchd.publish import Publish, Topics

CHARGE, DISCHARGE, VOLTAGE = (
    "watchd/charge-limit/hut",
    "watchd/discharge-limit/hut",
    "watchd/charge-voltage/hut",
)
TOPICS = [CHARGE, f"{CHARGE}/amps", DISCHARGE, f"{DISCHARGE}/amps", VOLTAGE, f"{VOLTAGE}/volts"]
FULL_CONFIG = CONFIG.replace("max_charge_a: 100}", "max_charge_a: 100, max_discharge_a: 150}")
LIFE_S = 120.0


def hut_config(text: str = FULL_CONFIG) -> Config:
    return config_of(text)


def running(text: str = FULL_CONFIG) -> Scene:
    hut = Scene(config=hut_config(text))
    hut.run(minutes=1, alder=pack(), birch=pack())
    return hut


def last(said: list[Publish], topic: str) -> Publish:
    return [message for message in said if message.topic == topic][-1]


def times(said: list[Publish], topic: str) -> int:
    return sum(message.topic == topic for message in said)


def test_each_kind_is_a_record_and_a_plain_number() -> None:
    hut = running()
    charge, discharge, voltage = (hut.retained[t] for t in (CHARGE, DISCHARGE, VOLTAGE))
    assert (charge["limit_a"], hut.retained[f"{CHARGE}/amps"]) == (200, 200)
    assert (discharge["limit_a"], hut.retained[f"{DISCHARGE}/amps"]) == (300, 300)
    assert (voltage["voltage_v"], hut.retained[f"{VOLTAGE}/volts"]) == (56, 56)
    for record in (charge, discharge, voltage):
        assert {"until", "limited_by", "because"} < set(record)
    assert list(voltage) == ["voltage_v", "until", "limited_by", "because"]


@pytest.mark.parametrize("topic", TOPICS)
def test_each_is_retained_and_ends_by_itself(topic: str) -> None:
    message = last(running().said, topic)
    assert (message.retain, message.qos, message.expires_in_s) == (True, 1, LIFE_S)


@pytest.mark.parametrize("topic", [CHARGE, DISCHARGE, VOLTAGE])
def test_its_record_says_until_when(topic: str) -> None:
    hut = running()
    until = datetime.fromisoformat(hut.retained[topic]["until"]).timestamp()
    # Said last within the minute, and renewed each third of its life.
    assert START + LIFE_S < until <= hut.now + LIFE_S
    assert until - START > 60 - LIFE_S / 3 + LIFE_S - 10


@pytest.mark.parametrize("topic", TOPICS)
def test_it_is_renewed_each_third_of_its_life(topic: str) -> None:
    hut = running()
    before = times(hut.said, topic)
    hut.run(minutes=4, alder=pack(), birch=pack())
    assert times(hut.said, topic) - before == 6


def test_all_six_are_withdrawn_when_a_pack_falls_silent() -> None:
    hut = running()
    hut.run(minutes=3, alder=pack())
    assert [t for t in TOPICS if t in hut.retained] == []
    for topic in TOPICS:
        message = last(hut.said, topic)
        assert (message.payload, message.retain) == (b"", True)
    figures = hut.figures("bank/hut")
    names = ("charge_limit_a", "discharge_limit_a", "suggested_voltage_v")
    assert [figures[name] for name in names] == [None] * 3
    # Once: what is no advice is not renewed.
    withdrawn = times(hut.said, CHARGE)
    hut.run(minutes=3, alder=pack())
    assert times(hut.said, CHARGE) == withdrawn
    hut.run(minutes=1, alder=pack(), birch=pack())
    assert [t for t in TOPICS if t not in hut.retained] == []


def test_the_farewell_withdraws_all_six() -> None:
    hut = running()
    said = hut.engine.farewell(hut.now)
    assert {t: last(said, t) for t in TOPICS} == {
        t: Publish(t, b"", qos=1, retain=True) for t in TOPICS
    }


def test_what_a_keeper_did_not_say_is_not_suggested() -> None:
    hut = running(CONFIG)
    assert DISCHARGE not in hut.retained
    assert f"{DISCHARGE}/amps" not in hut.retained
    assert CHARGE in hut.retained
    assert hut.figures("bank/hut")["discharge_limited_by"] == "withdrawn"


@pytest.mark.parametrize("topic", TOPICS)
def test_what_is_left_of_a_bank_that_is_no_more_is_taken_away(topic: str) -> None:
    gone = topic.replace("/hut", "/shed")
    hut = running()
    assert f"watchd/{topic.split('/')[1]}/#" in Topics("watchd").own_retained()
    assert [(p.topic, p.payload) for p in hut.feed(gone, 1, retained=True)] == [(gone, b"")]


def test_a_client_that_connects_again_is_told_all_of_it() -> None:
    hut = running()
    again = {message.topic: message for message in hut.engine.retained()}
    for topic in TOPICS:
        assert json.loads(again[topic].payload) == hut.retained[topic]
        assert again[topic].expires_in_s == LIFE_S


def story() -> list[dict[str, Any]]:
    """The taper falls, birch is blocked, is silent, has low cells; at last something is odd."""
    high = pack(cell_v=leading(3.45, by_mv=60), current_a=20.0)
    low = pack(cell_v=cells(2.75), current_a=10.0)
    return [
        {"alder": pack(), "birch": pack(current_a=30.0)},
        {"alder": high, "birch": pack()},
        {"alder": pack(), "birch": pack(charge_allowed=False)},
        {"alder": pack()},
        {"alder": pack(), "birch": low},
        {"alder": pack(), "birch": pack()},
        # A jump that is not believed: withdrawn.
        {"alder": pack(temperature_degc=-3.0), "birch": pack()},
    ]


def amounts(hut: Scene) -> list[Any]:
    figures = hut.figures("bank/hut")
    return [figures[n] for n in ("charge_limit_a", "discharge_limit_a", "suggested_voltage_v")]


def reasons(hut: Scene) -> tuple[Any, Any]:
    figures = hut.figures("bank/hut")
    return figures["limited_by"], figures["discharge_limited_by"]


def test_a_restart_in_the_middle_gives_the_same_advice() -> None:
    whole, resumed = Scene(config=hut_config()), Scene(config=hut_config())
    seen = []
    for packs in story():
        for is_middle in (True, False):
            for hut in (whole, resumed):
                hut.run(seconds=50, **packs)
            seen.append(reasons(whole))
            assert reasons(resumed) == seen[-1]
            # At a start it looks once more: shares that are still being seen move by a little.
            assert amounts(resumed) == pytest.approx(amounts(whole), abs=0.2)
            if is_middle:
                state = json.loads(json.dumps(resumed.engine.snapshot()))
                again = Scene(config=hut_config(), state=state)
                again.seconds, resumed = resumed.seconds, again
    assert {s[0] for s in seen} >= {"slow rise", "pack/alder taper", "withdrawn"}
    assert "pack/birch cell voltage" in {s[1] for s in seen}
