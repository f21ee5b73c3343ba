"""What the service manager is told, on a real datagram socket."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess, free_port
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start
from tests.service.hut import ALARM, write_config
from tests.service.manager import Manager
from tests.service.patience import until
from watchd.shell.notify import Watchdog, notify

ROOT = Path(__file__).parents[2]
HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())
PING = "WATCHDOG=1"
WAIT_S = 1.0


@pytest.fixture
def manager() -> Iterator[Manager]:
    """Has no watchdog."""
    with Manager() as manager:
        yield manager


@pytest.fixture
def strict_manager() -> Iterator[Manager]:
    """Wants to be told that all is well."""
    with Manager(WATCHDOG_USEC=str(round(WAIT_S * 1e6))) as manager:
        yield manager


def test_a_path(manager: Manager, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    notify("READY=1")
    assert manager.hears("READY").text == "READY=1"


def test_an_abstract_address(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"watchd-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0{name}")
        listening.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
        notify("STATUS=watching")
        assert listening.recv(100) == b"STATUS=watching"


@pytest.mark.parametrize("address", [None, "", "/nowhere/notify", "/" + "long" * 100])
def test_without_a_manager_nothing_happens(
    address: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    if address is None:
        monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    else:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
    notify("READY=1")


def test_a_manager_that_does_not_listen_holds_it_up_for_a_moment_at_most(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as other,
    ):
        deaf.bind(str(tmp_path / "n"))
        other.setblocking(False)
        with suppress(BlockingIOError):
            while True:
                other.sendto(b"STATUS=full", str(tmp_path / "n"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "n"))
        notify("STATUS=watching")


def test_the_daemon_says_when_it_is_ready_and_when_it_stops(
    manager: Manager, watchd: Start, tmp_path: Path
) -> None:
    # Ready without a broker: it watches, and connects when there is one.
    daemon = watchd(write_config(tmp_path, free_port()), environment=manager.environment)
    manager.hears("READY=1")
    assert manager.told[0].text == "READY=1"
    daemon.process.send_signal(signal.SIGTERM)
    manager.hears("STOPPING=1")
    assert daemon.process.wait(30) == 0
    assert not manager.times(PING), "nobody asked for it"


@pytest.mark.parametrize(
    ("environment", "patience_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "77"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "78"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdog_is_for_whom_it_names(
    environment: dict[str, str], patience_s: float | None
) -> None:
    assert Watchdog(environment, 77).patience_s == patience_s


def test_the_watchdog_is_told_twice_in_its_wait_and_not_much_more_often(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """At least twice: sd_watchdog_enabled(3) recommends half the wait."""
    told: list[str] = []
    monkeypatch.setattr("watchd.shell.notify.notify", told.append)
    for wait_s in (0.5, 3.0, 60.0):
        told.clear()
        watchdog = Watchdog({"WATCHDOG_USEC": str(round(wait_s * 1e6))}, os.getpid())
        every_s = min(1.0, watchdog.rhythm_s)  # as the service calls it
        for cycle in range(round(10 * wait_s / every_s)):
            watchdog.well(1000.0 + cycle * every_s)
        assert 20 <= len(told) <= 41
        assert set(told) == {PING}


@pytest.mark.broker
def test_the_watchdog_is_told_though_the_broker_is_away_and_the_status_says_it(
    broker: BrokerProcess, strict_manager: Manager, watchd: Start, tmp_path: Path
) -> None:
    manager = strict_manager
    daemon = watchd(write_config(tmp_path, broker.port), environment=manager.environment)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH)
        listener(ALARM)
        manager.hears(
            "STATUS=watching 2 packs, 1 heard; linked to the broker; 1 alarm raised",
        )
    broker.kill()
    daemon.logs("the link to the broker is lost", link="telemetry")
    manager.hears("STATUS=watching 2 packs, 1 heard; no link to the broker since 20")
    since = len(manager.times(PING))
    until(lambda: len(manager.times(PING)) > since + 4, "it is well all the same")
    states = [t.at for t in manager.told if t.text.startswith("STATUS=")]
    assert all(b - a > 1.9 for a, b in pairwise(states)), "not too often"


# The service as it is, but for an engine (or a task) that at some time gets stuck.
STUCK = """
import asyncio, sys, time
from watchd.commands import main
from watchd.engine import Engine
from watchd.shell.mqtt import links, receiving
whole, ticks = Engine.tick, []

def hangs(engine, at):
    ticks.append(at)
    if len(ticks) > 8:
        time.sleep(3600)
    return whole(engine, at)

def fails(engine, at):
    ticks.append(at)
    if len(ticks) > 8:
        raise ArithmeticError("made up for this test")
    return whole(engine, at)

async def takes_nothing(self, intake):
    await asyncio.sleep(3600)

what = sys.argv.pop(1)
if what == "takes nothing":
    links.STUCK_S = 1.0
    receiving.Receiving._take_waiting = takes_nothing
else:
    Engine.tick = {"hangs": hangs, "fails": fails}[what]
sys.exit(main())
"""


@pytest.mark.broker
@pytest.mark.parametrize(
    "what",
    [
        "hangs",
        pytest.param("fails", marks=pytest.mark.long),
        pytest.param("takes nothing", marks=pytest.mark.long),
    ],
)
def test_a_service_that_no_longer_watches_does_not_say_that_it_is_well(
    what: str, broker: BrokerProcess, strict_manager: Manager, tmp_path: Path
) -> None:
    manager = strict_manager
    config = write_config(tmp_path, broker.port)
    process = subprocess.Popen(
        [sys.executable, "-c", STUCK, what, "run", "--config", config],
        env={**os.environ, **manager.environment},
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
    )
    try:
        manager.hears(PING)
        with Bridge(broker.port) as bridge:
            bridge.says(alder=EVEN)
            # As systemd does: what has not been heard of for so long is given up.
            until(
                lambda: manager.times(PING)[-1] < time.monotonic() - 2 * WAIT_S,
                "it falls silent",
            )
        assert process.poll() is None, "it was stuck, and had not ended"
    finally:
        process.kill()
        process.wait()
