"""What the links say of a broker that does not let them read."""

from __future__ import annotations

from typing import Any, cast

import pytest
from aiomqtt import Client
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from structlog.testing import capture_logs

from tests.scene import config_of
from watchd.shell.clock import Clock
from watchd.shell.links import Links
from watchd.shell.outbox import Outbox


class Broker:
    """Gives these codes for subscriptions."""

    def __init__(self, *codes: Any) -> None:
        self._codes = codes

    async def subscribe(self, _filters: object) -> tuple[Any, ...]:
        """As aiomqtt's client."""
        return self._codes


@pytest.mark.parametrize(
    ("granted", "refused"),
    [
        (0, 0x80),
        (
            ReasonCode(PacketTypes.SUBACK, "Granted QoS 1"),
            ReasonCode(PacketTypes.SUBACK, "Not authorized"),
        ),
    ],
    ids=["3.1.1", "5"],
)
async def test_a_refused_subscription_is_told(granted: object, refused: object) -> None:
    links = Links(config_of(), Clock(), Outbox(), print, print, list, list, lost_record=b"")
    client = cast("Client", Broker(granted, refused))
    with capture_logs() as lines:
        await links._subscribe(client, [("hut/a", 0), ("hut/b", 0)])
    assert [(x["event"], x["topics"]) for x in lines] == [
        ("the broker does not let watchd read", ["hut/b"])
    ]
