"""Brokers as child processes on a loopback port of their own."""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from tests.service.patience import until

HOST = "127.0.0.1"


def free_port() -> int:
    """A port that nobody listens on, below the range from which clients' ports are taken.

    From inside that range, a client that tries a closed port long enough ends up connected to
    itself. Tests that run side by side have a range each.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 8
    while True:
        port = random.randrange(15_000 + worker * 2_000, 17_000 + worker * 2_000)
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((HOST, port))
            except OSError:
                continue
            return port


class BrokerProcess:
    """A broker that can be killed, started again on its port, and made to hang."""

    def __init__(self, command: Sequence[str | Path], folder: Path, port: int) -> None:
        self.port = port
        self._command, self._log = command, folder / "broker.log"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> None:
        """Start it, and wait until it takes connections."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        try:
            until(self._takes_connections, "the broker is up", seen=self._log.read_text)
        except BaseException:
            self.kill()
            raise

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def hang(self) -> None:
        """From now on it keeps its connections and does nothing."""
        self.signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """The end of `hang`."""
        self.signal(signal.SIGCONT)

    def signal(self, number: int) -> None:
        """Send it a signal."""
        self._running().send_signal(number)

    @property
    def pid(self) -> int:
        """Of its process."""
        return self._running().pid

    def _running(self) -> subprocess.Popen[bytes]:
        assert self._process is not None, "the broker does not run"
        return self._process

    def _takes_connections(self) -> bool:
        assert self._running().poll() is None, self._log.read_text()
        return takes_connections(self.port)


def takes_connections(port: int) -> bool:
    """Whether somebody listens there."""
    try:
        socket.create_connection((HOST, port), timeout=1.0).close()
    except OSError:
        return False
    return True


def mosquitto(program: Path, folder: Path, *lines: str, open_to_all: bool = True) -> BrokerProcess:
    """mosquitto without persistence, as yet not started; `lines` go into its config."""
    port = free_port()
    config = folder / "mosquitto.conf"
    settings = [
        f"listener {port} {HOST}",
        f"allow_anonymous {'true' if open_to_all else 'false'}",
        # Without it an exchange of QoS 1 waits for timers of 40 ms.
        "set_tcp_nodelay true",
        "persistence false",
        # A burst is the daemon's to thin out, not the broker's.
        "max_queued_messages 0",
        *lines,
    ]
    if os.geteuid() == 0:
        # It would become another user, who cannot read a folder of root's.
        settings.append("user root")
    config.write_text("\n".join(settings) + "\n")
    return BrokerProcess([program, "-c", config], folder, port)


def mosquitto_as_told(program: Path, folder: Path, told: str, listener: str) -> BrokerProcess:
    """mosquitto with a config that people are shown, but for the port of this `listener`."""
    port = free_port()
    config = folder / "mosquitto.conf"
    assert listener in told
    config.write_text(told.replace(listener, f"listener {port} {HOST}"))
    if os.geteuid() == 0:
        config.write_text(config.read_text() + "user root\n")
    return BrokerProcess([program, "-c", config], folder, port)


def amqtt(folder: Path) -> BrokerProcess:
    """The broker in Python, which knows MQTT 3.1.1 only; as yet not started."""
    port = free_port()
    program = Path(__file__).with_name("amqtt_broker.py")
    return BrokerProcess([sys.executable, program, str(port)], folder, port)
