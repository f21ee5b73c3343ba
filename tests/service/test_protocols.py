"""MQTT 5 and its message expiry; 3.1.1 by choice and by necessity."""

from __future__ import annotations

import math
import time
from datetime import datetime
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start
from tests.service.hut import ALARM, AMPS, ANNUNCIATION, FIGURES, LIMIT, SERVICE, write_config

BOTH = {"alder": pack(cell_v=leading(3.42, by_mv=60)), "birch": pack(cell_v=cells())}
VALID_S = 600
BANK = {"charge_voltage_v": 56.0, "charge_limit": {"valid_for": f"{VALID_S} s"}}


@pytest.mark.broker
def test_advice_expires_in_the_broker(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> None:
    daemon = watchd(write_config(tmp_path, broker.port, banks={"hut": BANK}))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(**BOTH)
        for topic in (LIMIT, AMPS):
            life_s = listener(topic, bool).expires_s
            assert life_s is not None
            assert VALID_S - 60 < life_s <= VALID_S
        # What is no advice stands until it is taken back.
        for topic in (ALARM, FIGURES, SERVICE, ANNUNCIATION):
            assert listener(topic).expires_s is None
    assert daemon.logs("publishing")["mqtt"] == "5"


@pytest.mark.broker
def test_on_a_fast_clock_it_expires_sooner(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    telemetry = {"stale_after": "100 h"}
    config = write_config(tmp_path, broker.port, banks={"hut": BANK}, telemetry=telemetry)
    watchd(config, "--clock-speed", "20")
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(**BOTH)
        life_s = listener(LIMIT, bool).expires_s
        assert life_s is not None
        assert life_s <= math.ceil(VALID_S / 20)


@pytest.mark.broker
def test_with_3_1_1_configured_the_payload_says_until_when(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(
        write_config(tmp_path, broker.port, broker={"protocol": "3.1.1"}, banks={"hut": BANK})
    )
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        begin = time.time()
        bridge.says(**BOTH)
        limit = listener(LIMIT, bool)
        assert limit.expires_s is None
        until_s = datetime.fromisoformat(limit.data["until"]).timestamp()
        assert begin + VALID_S <= until_s <= time.time() + VALID_S
        assert listener(AMPS, bool).data == limit.data["limit_a"]
        assert daemon.stop()[0] == 0
        # Nothing expires there, so it is taken back.
        assert listener(LIMIT, lambda d: d is None).retain
        assert listener(AMPS, lambda d: d is None).retain
    assert daemon.logs("publishing")["mqtt"] == "3.1.1"
    assert not daemon.log("the broker refuses MQTT 5; over 3.1.1 advice cannot expire there")


@pytest.mark.broker
def test_advice_is_taken_back_when_telemetry_ends(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    telemetry = {"stale_after": "2 s"}
    watchd(write_config(tmp_path, broker.port, broker={"protocol": "3.1.1"}, telemetry=telemetry))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(**BOTH)
        listener(AMPS, bool)
        at = listener.now
        bridge.falls_silent()
        for topic in (LIMIT, AMPS):
            assert listener(topic, lambda d: d is None, since=at).retain


def test_a_broker_without_mqtt_5_is_used_all_the_same(
    plain_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, plain_broker.port, broker={"protocol": "5"}))
    daemon.logs("the broker refuses MQTT 5; over 3.1.1 advice cannot expire there")
    assert daemon.logs("publishing")["mqtt"] == "3.1.1"
    with (
        Listener(plain_broker.port, v5=False) as listener,
        Bridge(plain_broker.port) as bridge,
    ):
        bridge.says(**BOTH)
        listener(SERVICE, lambda d: d["state"] == "running")
        listener(ALARM, bool)
        assert "until" in listener(LIMIT, bool).data
    assert not daemon.log("no link to the broker"), "3.1.1 is tried at once"
