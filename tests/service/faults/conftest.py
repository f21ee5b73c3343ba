"""What the tests of faults share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.faults.link import Link


@pytest.fixture
def link(broker: BrokerProcess) -> Iterator[Link]:
    """What lies between the daemon and the broker."""
    with Link(broker.port) as link:
        yield link
