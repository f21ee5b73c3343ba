"""Real brokers and real processes for the tests of the service."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from io import BufferedReader, BytesIO, TextIOWrapper
from pathlib import Path

import pytest

from tests.service import brokers
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge
from tests.service.commandline import Done, Run
from tests.service.daemon import Daemon, Start, daemons
from tests.service.faults.table import record
from watchd.commands import main

__all__ = ["record"]


@pytest.fixture
def broker(mosquitto_path: Path, tmp_path: Path) -> Iterator[BrokerProcess]:
    """mosquitto, started."""
    with brokers.mosquitto(mosquitto_path, tmp_path) as process:
        yield process


@pytest.fixture
def plain_broker(tmp_path: Path) -> Iterator[BrokerProcess]:
    """amqtt, started: MQTT 3.1.1 only."""
    with brokers.amqtt(tmp_path) as process:
        yield process


@pytest.fixture
def watchd() -> Iterator[Start]:
    """Starts daemons; they end with the test, and their logs are looked into."""
    with daemons() as start:
        yield start


@pytest.fixture
def daemon(config: Path, watchd: Start) -> Daemon:
    """Runs, with the `config` that a file of tests gives."""
    return watchd(config)


@pytest.fixture
def bridge(broker: BrokerProcess) -> Iterator[Bridge]:
    """Sends telemetry."""
    with Bridge(broker.port) as bridge:
        yield bridge


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command in this process, which is quick; an exception would end the test."""

    def run(*words: str | Path, given: str | bytes = b"") -> Done:
        raw = given.encode() if isinstance(given, str) else given
        stdin = TextIOWrapper(BufferedReader(BytesIO(raw)))
        monkeypatch.setattr(sys, "stdin", stdin)
        try:
            code = main([str(word) for word in words])
        except SystemExit as end:
            code = int(end.code or 0)
        return Done(code, *capsys.readouterr())

    return run
