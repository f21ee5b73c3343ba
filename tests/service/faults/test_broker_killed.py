"""The broker is killed, as by a power cut, or comes after the daemon."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.service import brokers
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Start
from tests.service.faults.bank import (
    ALDER_SILENT,
    EVEN,
    FOUND_S,
    HIGH,
    annunciations,
    config_of,
    is_watched,
)
from tests.service.faults.link import Link
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ALARM, AMPS, ANNUNCIATION, LIMIT, SERVICE
from tests.service.patience import until

pytestmark = pytest.mark.broker

PERSISTENT = ("persistence true", "autosave_interval 1", "autosave_on_changes true")


@pytest.mark.long
@pytest.mark.parametrize("keeps", [True, False], ids=["keeps what was retained", "forgets all"])
def test_it_is_killed_and_comes_back(
    mosquitto_path: Path, watchd: Start, tmp_path: Path, record: Record, keeps: bool
) -> None:
    more = (*PERSISTENT, f"persistence_location {tmp_path}/") if keeps else ()
    with ExitStack() as stack:
        broker = stack.enter_context(brokers.mosquitto(mosquitto_path, tmp_path, *more))
        link = stack.enter_context(Link(broker.port))
        bridge = stack.enter_context(Bridge(broker.port))
        daemon = watchd(config_of(tmp_path, link.port))
        with Listener(broker.port) as listener:
            bridge.says(alder=HIGH, birch=EVEN)
            listener(ALARM, bool)
            listener(ANNUNCIATION)
            listener(AMPS, bool)
            if keeps:  # in the file of the broker, not only in its memory
                saved = tmp_path / "mosquitto.db"
                until(lambda: saved.exists() and AMPS.encode() in saved.read_bytes(), "saved")
        broker.kill()
        link.refuse()  # so that the listener is back before the daemon
        bridge.falls_silent()
        # Telemetry goes stale meanwhile: an alarm is raised, and advice is withdrawn.
        daemon.logs("alarm", rule="silent", subject="pack/alder")
        daemon.logs("charge-limit", amount=None, bank="hut")
        broker.start()
        assert (AMPS in retained(broker.port, "watchd/#")) is keeps
        with Listener(broker.port) as listener:
            watch = Stopwatch()
            link.takes()
            assert listener(ALARM, bool).data["state"] == "unacknowledged"
            listener(ALDER_SILENT, bool)
            listener(SERVICE, lambda d: d["state"] == "running")
            is_watched(listener, bridge)
            seconds = watch.seconds
            listener.hear_all()
            assert len(annunciations(listener, "silent/pack/alder")) == 1
            assert not annunciations(listener, "cell-high/pack/alder"), "it was told before"
        left = retained(broker.port, "watchd/#")
        assert left[SERVICE].data["state"] == "running"
        assert not {AMPS, LIMIT} & left.keys(), "advice of before the outage"
    what = "broker killed, " + ("with persistence" if keeps else "without persistence")
    record(what, "nothing", seconds)


def test_it_comes_after_the_daemon(
    broker: brokers.BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    broker.kill()
    daemon = watchd(config_of(tmp_path, broker.port))
    daemon.logs("no link to the broker", link="out")
    daemon.logs("no link to the broker", link="telemetry")
    watch = Stopwatch()
    broker.start()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        is_watched(listener, bridge)
        record("daemon started before the broker", "nothing", watch.seconds)


@pytest.mark.long
def test_it_is_killed_twenty_times_in_a_row(
    broker: brokers.BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    with Link(broker.port) as link, Bridge(broker.port) as bridge:
        daemon = watchd(config_of(tmp_path, link.port))
        with Listener(broker.port) as listener:
            bridge.says(alder=HIGH, birch=EVEN)
            listener(ALARM, bool)
            listener(ANNUNCIATION)
        for number in range(20):
            broker.kill()
            if number == 10:
                daemon.logs("alarm", rule="silent", subject="pack/alder")
            opened = link.opened
            broker.start()
            if number < 5:  # then it waits too long for that
                until(lambda n=opened: link.opened > n, "it tries again")  # type: ignore[misc]
        link.refuse()
        watch = Stopwatch()
        with Listener(broker.port) as listener:
            link.takes()
            until(
                lambda: listener.on(SERVICE) and listener.on(ALARM),
                "all is back",
                within_s=FOUND_S,
                seen=lambda: daemon.text,
            )
            is_watched(listener, bridge)
            seconds = watch.seconds
            listener.hear_all()
            assert not annunciations(listener, "cell-high/pack/alder"), "it was told before"
    record("broker killed 20 times in a row", "nothing", seconds)
