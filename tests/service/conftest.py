"""Real brokers and real processes for the tests of the service."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service import brokers
from tests.service.brokers import BrokerProcess
from tests.service.daemon import Start, daemons


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
