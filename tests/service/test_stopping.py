"""What is left on the broker when the daemon ends, and how soon it ends."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess, free_port
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import WATCHD, Start
from tests.service.hut import ALARM, AMPS, LIMIT, SERVICE, write_config
from tests.service.patience import until

pytestmark = pytest.mark.broker

# The promise is 2 s; the rest is for a machine that is busy with other things.
PROMPT_S = 5.0
HIGH = pack(cell_v=leading(3.42, by_mv=60))
BOTH = {"alder": HIGH, "birch": pack(cell_v=cells())}


def test_killed_the_broker_says_that_it_is_lost(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    with Listener(broker.port) as listener:
        listener(SERVICE, lambda d: d["state"] == "running")
        daemon.kill()
        will = listener(SERVICE, lambda d: d["state"] == "lost")
        assert will.retain
        assert will.data["since"] is None, "the broker cannot say when that was"
    assert retained(broker.port, SERVICE)[SERVICE].data["state"] == "lost"


def test_stopped_it_says_so_and_takes_its_advice_back(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(**BOTH)
        listener(AMPS, bool)
        listener(ALARM, bool)
        code, seconds = daemon.stop()
        print(f"SIGTERM to exit: {seconds:.2f} s")
        assert code == 0
        assert seconds < PROMPT_S
        seen = retained(broker.port, "watchd/#")
        assert seen[SERVICE].data["state"] == "stopped"
        assert LIMIT not in seen
        assert AMPS not in seen
        # What stood when it stopped is still so; only advice is void without who gives it.
        assert seen[ALARM].data["state"] == "unacknowledged"
        assert not any(h.data["state"] == "lost" for h in listener.on(SERVICE))


def test_sigint_stops_it_as_well(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.works()
    daemon.process.send_signal(signal.SIGINT)
    assert daemon.process.wait(30) == 0
    assert retained(broker.port, SERVICE)[SERVICE].data["state"] == "stopped"


def test_a_terminal_that_is_closed_ends_it(broker: BrokerProcess, tmp_path: Path) -> None:
    """SIGHUP then means what it meant at first, and not a reload."""
    master, slave = pty.openpty()
    # What a session's leader opens becomes the session's terminal.
    words = f'exec "$0" run --config "$1" <{os.ttyname(slave)} 2<>{os.ttyname(slave)}'
    process = subprocess.Popen(
        ["sh", "-c", words, WATCHD, write_config(tmp_path, broker.port)],
        start_new_session=True,
        stderr=subprocess.DEVNULL,
    )
    try:
        with Listener(broker.port) as listener:
            listener(SERVICE, lambda d: d["state"] == "running")
            os.close(slave)
            os.close(master)
            assert process.wait(30) == 0
            listener(SERVICE, lambda d: d["state"] == "stopped")
    finally:
        process.kill()
        process.wait()


def test_telemetry_that_keeps_coming_does_not_undo_the_farewell(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    # On a fast clock each message renews advice and the running state.
    config = write_config(tmp_path, broker.port, telemetry={"stale_after": "10 d"})
    daemon = watchd(config, "--clock-speed", "10000")
    with Listener(broker.port) as listener, Bridge(broker.port, every_s=0.002) as bridge:
        bridge.says(**BOTH)
        listener(AMPS, bool)
        code, _ = daemon.stop()
        assert code == 0
        seen = retained(broker.port, "watchd/#")
        assert seen[SERVICE].data["state"] == "stopped"
        assert LIMIT not in seen
        assert AMPS not in seen


def test_stopped_while_the_broker_is_away(watchd: Start, tmp_path: Path) -> None:
    daemon = watchd(write_config(tmp_path, free_port()))
    daemon.logs("no link to the broker")
    code, seconds = daemon.stop()
    print(f"SIGTERM to exit, no broker: {seconds:.2f} s")
    assert code == 0
    assert seconds < PROMPT_S


def test_stopped_while_the_broker_hangs(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(**BOTH)
        listener(AMPS, bool)
    broker.hang()
    code, seconds = daemon.stop()
    print(f"SIGTERM to exit, broker hangs: {seconds:.2f} s")
    assert code == 0
    assert seconds < PROMPT_S
    broker.go_on()
    # Not all of the farewell got through, so the broker must not go on saying that it runs.
    until(
        lambda: retained(broker.port, SERVICE)[SERVICE].data["state"] in ("stopped", "lost"),
        "the service does not count as running",
        seen=lambda: str(retained(broker.port, "watchd/#")),
    )


def test_stopped_while_the_broker_takes_connections_and_does_not_answer(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    broker.hang()
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.logs("watchd starts")
    begin = time.monotonic()
    code, _ = daemon.stop()
    assert code == 0
    assert time.monotonic() - begin < PROMPT_S
    broker.go_on()
