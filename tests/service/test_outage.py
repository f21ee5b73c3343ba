"""The broker goes away and comes back, or is not there yet."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Start
from tests.service.hut import (
    ALARM,
    AMPS,
    ANNUNCIATION,
    FIGURES,
    LIMIT,
    SERVICE,
    write_config,
)
from tests.service.patience import until

pytestmark = pytest.mark.broker

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())


def test_it_goes_on_after_a_broker_that_forgot_everything(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    with Bridge(broker.port) as bridge:
        with Listener(broker.port) as listener:
            bridge.says(alder=HIGH, birch=EVEN)
            listener(ALARM, bool)
            listener(AMPS, bool)
        broker.kill()
        daemon.logs("no link to the broker", link="out")
        broker.start()
        with Listener(broker.port) as listener:
            # The bridge's part is not needed for this: it may come back later.
            assert listener(ALARM, bool).data["state"] == "unacknowledged"
            listener(SERVICE, lambda d: d["state"] == "running")
            listener(FIGURES)
            assert listener(LIMIT, bool).data["limit_a"] == 40.0
            assert listener(AMPS, bool).data == 40.0
            listener.hear_all()
            assert not listener.on(ANNUNCIATION), "it was annunciated before"

            bridge.says(birch=HIGH)
            record = listener("watchd/alarm/cell-high/pack/birch", bool).data
            assert record["state"] == "unacknowledged"
            assert listener(ANNUNCIATION).data["alarm"] == "cell-high/pack/birch"


def test_what_happens_while_the_broker_is_away_is_said_when_it_is_back(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.works()
    with Listener(broker.port, "hut/#", "watchd/#") as listener:
        # The last telemetry before the broker dies is handled only after it died.
        daemon.process.send_signal(signal.SIGSTOP)
        listener.send("hut/alder/state", HIGH)
        listener.catch_up()
        broker.kill()
        daemon.process.send_signal(signal.SIGCONT)
    daemon.logs("alarm", rule="cell-high", state="unacknowledged")
    daemon.logs("no link to the broker", link="out")
    broker.start()
    with Listener(broker.port) as listener:
        listener(ALARM, bool)
        assert listener(ANNUNCIATION).data["alarm"] == "cell-high/pack/alder"


def test_it_waits_for_a_broker_that_is_not_there_yet(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    broker.kill()
    daemon = watchd(write_config(tmp_path, broker.port))
    for link in ("telemetry", "out"):
        line = daemon.logs("no link to the broker", link=link)
        assert "refused" in line["reason"].lower()
        assert line["port"] == broker.port
        assert line["next_try_s"] <= 0.7
    broker.start()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH)
        listener(SERVICE, lambda d: d["state"] == "running")
        listener(ALARM, bool)
    # However often it tried: one line for each of the two links.
    assert len(daemon.log("no link to the broker")) == 2


def test_each_outage_is_told(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.works()
    for outage in (1, 2):
        broker.kill()
        broker.start()  # before the first try to connect again
        until(
            lambda links=outage + 1: (  # type: ignore[misc]
                len(daemon.log("publishing")) == len(daemon.log("receiving telemetry")) == links
            ),
            "both links are back",
            seen=lambda: daemon.text,
        )
        for link in ("telemetry", "out"):
            assert len(daemon.log("the link to the broker is lost", link=link)) == outage
            back = daemon.log("the link to the broker is back", link=link)
            assert len(back) == outage
            assert back[-1]["away"].endswith((" s", " min"))


def test_a_broker_that_hung_does_not_call_a_stopped_service_lost(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    """Connections that it took while it hung, and that were given up, must not live on."""
    broker.hang()
    daemon = watchd(write_config(tmp_path, broker.port))
    for link in ("telemetry", "out"):
        assert "timed out" in daemon.logs("no link to the broker", link=link)["reason"]
    broker.go_on()
    with Listener(broker.port) as listener:
        listener(SERVICE, lambda d: d["state"] == "running")
        assert daemon.stop()[0] == 0
        listener(SERVICE, lambda d: d["state"] == "stopped")
        # The process is gone: what was left of its connections, the broker has seen to.
        for _ in range(3):
            listener.catch_up()
    assert retained(broker.port, SERVICE)[SERVICE].data["state"] == "stopped"
