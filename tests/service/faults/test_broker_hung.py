"""A broker that does nothing, and listeners that are no broker."""

from __future__ import annotations

import signal
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Daemon, Start
from tests.service.faults.bank import (
    ALDER_SILENT,
    EVEN,
    FOUND_S,
    HIGH,
    annunciations,
    config_of,
    is_watched,
)
from tests.service.faults.deaf import Deaf
from tests.service.faults.link import Link
from tests.service.faults.process import cpu_s, links_to
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ALARM, SERVICE
from tests.service.patience import until

pytestmark = pytest.mark.broker

# What a listener that is no broker may send. Types and lengths of packets: MQTT 3.1.1 section 2.2,
# of their properties in MQTT 5 section 2.2.2.
GARBAGE = {
    "no MQTT": b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n",
    "an endless length": b"\x30\xff\xff\xff\xff\xff\xff\xff",
    "the greatest length": b"\x30\xff\xff\xff\x7f" + bytes(20),
    "an empty CONNACK": b"\x20\x00",
    "properties beyond the end": b"\x20\x05\x00\x00\xff\xff\x7f",
    "a CONNACK of an unknown code": b"\x20\x03\x00\x55\x00",
    "a SUBACK of nothing": b"\x90\x02\x00\x01",
    "a SUBACK of an unknown code": b"\x90\x04\x00\x01\x00\x55",
    "a topic that is longer than its packet": b"\x30\x04\xff\xffab",
    "a topic that is no UTF-8": b"\x30\x05\x00\x02\xff\xfea",
    "a topic and properties of nothing": b"\x30\x05\x00\x01a\x01\x99",
    "a packet without a type": b"\x00\x00" * 50,
    "all sorts": bytes(range(256)) * 20,
}


def finds(daemon: Daemon, link: str, *, at_least: int = 1) -> None:
    """Wait until it has found a dead link."""
    until(
        lambda: len(daemon.log("no link to the broker", link=link)) >= at_least,
        f"it finds that the link {link} is dead",
        within_s=FOUND_S,
        seen=lambda: daemon.text,
    )


@pytest.mark.long
def test_it_hangs_between_two_messages(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    daemon = watchd(config_of(tmp_path, broker.port))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM, bool)
        bridge.falls_silent()
        broker.hang()
        # Raised while it hangs, and published into nothing.
        daemon.logs("alarm", rule="silent", subject="pack/alder")
        finds(daemon, "telemetry")
        finds(daemon, "out")
        watch = Stopwatch()
        broker.go_on()
        listener(ALDER_SILENT, bool)
        is_watched(listener, bridge)
        seconds = watch.seconds
        listener.hear_all()
        # What was on its way may come again: at least once, as MQTT 5 section 4.3.2 has it.
        assert 1 <= len(annunciations(listener, "silent/pack/alder")) <= 2
        assert retained(broker.port, SERVICE)[SERVICE].data["state"] == "running"
    record("broker hung between messages", "nothing", seconds)


@pytest.mark.long
def test_it_hangs_while_something_is_published(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    daemon = watchd(config_of(tmp_path, broker.port))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(birch=EVEN)
        listener("watchd/figures/pack/birch")
        # What it has to publish at once comes from the broker just before that hangs.
        daemon.process.send_signal(signal.SIGSTOP)
        listener.send("hut/alder/state", HIGH)
        listener.catch_up()
        broker.hang()
        daemon.process.send_signal(signal.SIGCONT)
        daemon.logs("alarm", rule="cell-high", subject="pack/alder")
        finds(daemon, "out")
        watch = Stopwatch()
        broker.go_on()
        listener(ALARM, bool)
        is_watched(listener, bridge)
        seconds = watch.seconds
        listener.hear_all()
        assert 1 <= len(annunciations(listener, "cell-high/pack/alder")) <= 2
    record("broker hung during a publish", "nothing", seconds)


@pytest.mark.long
@pytest.mark.parametrize(
    ("lets_in", "fault"),
    [(False, "listener that never answers CONNECT"), (True, "broker that answers CONNECT only")],
)
def test_one_that_says_nothing_more(
    broker: BrokerProcess,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    lets_in: bool,
    fault: str,
) -> None:
    with Deaf(lets_in=lets_in) as deaf, Link(deaf.port) as link:
        daemon = watchd(config_of(tmp_path, link.port))
        finds(daemon, "telemetry")
        finds(daemon, "out")
        until(lambda: deaf.opened >= 4, "it tries again", within_s=FOUND_S)
        lines = daemon.log("no link to the broker")
        assert len(lines) == 2, "one for each link, however often it was tried"
        watch = Stopwatch()
        link.to = broker.port
        link.cut()
        with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
            daemon_is_back(daemon)
            is_watched(listener, bridge)
            record(fault, "nothing", watch.seconds)


@pytest.mark.long
@pytest.mark.parametrize("lets_in", [True, False], ids=["after CONNACK", "at once"])
def test_garbage(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record, lets_in: bool
) -> None:
    with Deaf(*GARBAGE.values(), lets_in=lets_in) as deaf, Link(deaf.port) as link:
        daemon = watchd(config_of(tmp_path, link.port))
        finds(daemon, "telemetry")
        finds(daemon, "out")
        watch = Stopwatch()
        link.to = broker.port
        link.cut()
        with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
            daemon_is_back(daemon)
            is_watched(listener, bridge)
            when = "after its CONNACK" if lets_in else "at once"
            record(f"broker sends garbage {when}", "nothing", watch.seconds)


@pytest.mark.long
@pytest.mark.parametrize("lets_in", [True, False], ids=["after CONNACK", "at once"])
def test_each_garbage_is_found_and_costs_nothing(
    watchd: Start, tmp_path: Path, lets_in: bool
) -> None:
    with ExitStack() as stack:
        found = {}
        for number, (name, said) in enumerate(GARBAGE.items()):
            deaf = stack.enter_context(Deaf(said, lets_in=lets_in))
            folder = tmp_path / str(number)
            folder.mkdir()
            found[name] = (deaf, watchd(config_of(folder, deaf.port)))
        for deaf, _ in found.values():
            until(lambda d=deaf: d.opened >= 2, "it is there")  # type: ignore[misc]
        before_s = {name: cpu_s(daemon.process.pid) for name, (_, daemon) in found.items()}
        watch = Stopwatch()
        for name, (deaf, daemon) in found.items():
            finds(daemon, "telemetry")
            finds(daemon, "out")
            until(lambda d=deaf: d.opened >= 4, "it tries again", within_s=FOUND_S)  # type: ignore[misc]
            busy = (cpu_s(daemon.process.pid) - before_s[name]) / watch.seconds
            assert busy < 0.5, f"{name}: {busy:.0%} of a processor\n{daemon.text}"
            assert links_to(deaf.port) <= 2, f"{name}: links that were given up live on"


def daemon_is_back(daemon: Daemon) -> None:
    """Wait until both links are there."""
    until(
        lambda: daemon.log("receiving telemetry") and daemon.log("publishing"),
        "both links are back",
        within_s=FOUND_S,
        seen=lambda: daemon.text,
    )
