"""What the service manager is told, on a real datagram socket."""

from __future__ import annotations

import os
import signal
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service.brokers import free_port
from tests.service.daemon import Start
from tests.service.hut import write_config
from watchd.shell.notify import notify


@pytest.fixture
def manager() -> Iterator[tuple[socket.socket, str]]:
    """A service manager's socket and its address; a socket's path has to be short."""
    with (
        tempfile.TemporaryDirectory() as folder,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening,
    ):
        address = str(Path(folder) / "notify")
        listening.bind(address)
        listening.settimeout(30)
        yield listening, address


def test_a_path(manager: tuple[socket.socket, str], monkeypatch: pytest.MonkeyPatch) -> None:
    listening, address = manager
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    notify("READY=1")
    assert listening.recv(100) == b"READY=1"


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


def test_the_daemon_says_when_it_is_ready_and_when_it_stops(
    manager: tuple[socket.socket, str], watchd: Start, tmp_path: Path
) -> None:
    listening, address = manager
    # Ready without a broker: it watches, and connects when there is one.
    daemon = watchd(write_config(tmp_path, free_port()), environment={"NOTIFY_SOCKET": address})
    assert listening.recv(100) == b"READY=1"
    daemon.process.send_signal(signal.SIGTERM)
    assert listening.recv(100) == b"STOPPING=1"
    assert daemon.process.wait(30) == 0
