"""The main job: telemetry in, a raised alarm and a suggested charge limit out."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Heard, Listener, retained
from tests.service.daemon import Daemon, Start
from tests.service.hut import (
    AMPS,
    ANNUNCIATION,
    FIGURES,
    LIMIT,
    SERVICE,
    value_per_topic,
    write_config,
)
from tests.service.patience import until

# Two minutes of the daemon's clock last a second here: so does the on-delay.
FAST = ("--clock-speed", "120", "--clock-start", "2026-06-21T10:00:00Z")
# On that clock, the cells of one burst lie far apart where this machine is busy.
PATIENT = {"stale_after": "60 min", "parts_within": "5 min", "figures_every": "10 s"}


def fast_hut(folder: Path, port: int) -> Path:
    bank = {"charge_voltage_v": 56.0, "max_charge_a": 200, "charge_limit": {"valid_for": "1 h"}}
    return write_config(folder, port, rules=None, telemetry=PATIENT, banks={"hut": bank})


def fast(zero_s: float) -> tuple[str, ...]:
    return (*FAST, "--clock-zero", str(zero_s))


def settled(port: int) -> dict[str, Heard] | None:
    """What is retained, but not between the two messages of one piece of advice."""
    seen = retained(port, "watchd/#")
    return seen if seen[AMPS].data == seen[LIMIT].data["limit_a"] else None


@pytest.mark.broker
def test_on_mosquitto(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> None:
    daemon = watchd(fast_hut(tmp_path, broker.port), *fast(time.time()))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        watches_a_bank(daemon, listener, bridge)
        listener.catch_up()
        records = [h for h in listener.on("watchd/alarm") if h.payload]
        assert all(h.retain for h in records)
        assert not any(h.retain for h in listener.on(ANNUNCIATION))
        seen = until(lambda: settled(broker.port), "both topics of the limit say the same")
    assert seen[SERVICE].data["state"] == "running"
    assert seen["watchd/alarm/cell-spread-wide/pack/alder"].data["state"] == "unacknowledged"
    assert seen["watchd/alarm/cell-spread-wide/pack/birch"].data["state"] == "unacknowledged"
    assert seen[FIGURES].data["figures"]["cell_max_no"] == 7
    assert "watchd/figures/bank/hut" in seen
    assert ANNUNCIATION not in seen


def test_on_the_broker_in_python(
    plain_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(fast_hut(tmp_path, plain_broker.port), *fast(time.time()))
    port = plain_broker.port
    with Listener(port, v5=False) as listener, Bridge(port) as bridge:
        watches_a_bank(daemon, listener, bridge)
        with Listener(port, v5=False) as late:
            late(SERVICE, lambda d: d["state"] == "running")
            late("watchd/alarm/cell-spread-wide/pack/birch")
            late(FIGURES)
            late(LIMIT, bool)


def watches_a_bank(daemon: Daemon, listener: Listener, bridge: Bridge) -> None:
    """One pack by documents, the other by a value per topic; each has a leading cell in turn."""
    bridge.says(alder=pack(cell_v=cells(3.36), current_a=20))
    bridge.says_on(value_per_topic(cells(3.35), current_a=20))
    limit = listener(LIMIT, bool).data
    assert limit["limit_a"] == 200.0, "flat part of the curve: the bank's own maximum"
    assert limit["until"].startswith("2026-06-21T1")
    assert listener(AMPS, bool).data == 200.0
    figures = listener("watchd/figures/pack/birch", lambda d: d["figures"]["cell_max_v"]).data
    assert figures["figures"]["current_a"] == 20.0

    at = listener.now
    bridge.says(alder=pack(cell_v=leading(3.42, by_mv=60), current_a=20))
    # It falls before any alarm: the leading cell is above the knee.
    falls = listener(LIMIT, lambda d: d and d["limit_a"] < 200.0, since=at).data
    assert falls["limited_by"] == "pack/alder taper"
    assert falls["because"].startswith("alder's cell 7 is at 3.480 V")
    record = listener("watchd/alarm/cell-spread-wide/pack/alder", since=at).data
    assert record["text"] == "alder: cells 60 mV apart, cell 7 leads at 3.480 V"
    assert record["state"] == "unacknowledged"
    shown = listener(ANNUNCIATION, since=at).data
    assert shown["alarm"] == "cell-spread-wide/pack/alder"
    assert shown["text"] == record["text"]
    listener(AMPS, lambda d: d == falls["limit_a"], since=at)

    at = listener.now
    bridge.says(alder=pack(cell_v=leading(3.42, by_mv=150), current_a=20))
    listener(LIMIT, lambda d: d and d["limit_a"] < falls["limit_a"], since=at)
    bridge.says_on(value_per_topic(leading(3.41, by_mv=55, cell=2), current_a=20))
    record = listener("watchd/alarm/cell-spread-wide/pack/birch", since=at).data
    assert record["text"] == "birch: cells 55 mV apart, cell 2 leads at 3.465 V"
    assert daemon.process.poll() is None
