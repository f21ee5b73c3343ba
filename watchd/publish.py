"""What goes out: topics below the prefix, and payloads as canonical JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any


@dataclass(frozen=True, slots=True)
class Publish:
    """One message to publish. An empty retained payload takes a retained message away.

    `expires_in_s` is the message's life in the broker (MQTT 5; None: for ever).
    """

    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False
    expires_in_s: float | None = None
    correlation: bytes = b""


_JSON = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def encode(data: Any) -> bytes:
    """JSON with keys in the order given; the same data gives the same bytes."""
    return _JSON.encode(data).encode()


def rfc3339(at: float) -> str:
    """Unix seconds as UTC with milliseconds.

    >>> rfc3339(1790000000.25)
    '2026-09-21T14:13:20.250Z'
    """
    minute, second = divmod(round(at, 3), 60.0)
    return f"{_minute(int(minute))}{int(second):02d}.{round(second % 1.0 * 1000.0):03d}Z"


@lru_cache(16)
def _minute(minute: int) -> str:
    return datetime.fromtimestamp(minute * 60, UTC).isoformat()[:17]


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of section 7 of the contract with users, for one prefix."""

    prefix: str

    @property
    def service(self) -> str:
        """State of the daemon; also its will."""
        return f"{self.prefix}/service"

    @property
    def annunciation(self) -> str:
        """What a phone should show now."""
        return f"{self.prefix}/annunciation"

    @property
    def newest_annunciation(self) -> str:
        """The newest annunciation, retained."""
        return f"{self.prefix}/newest-annunciation"

    @property
    def request(self) -> str:
        """What people ask of watchd."""
        return f"{self.prefix}/request"

    def request_of(self, name: str) -> str:
        """The same of one name, which the broker's access list can bind to a user."""
        return f"{self.request}/{name}"

    def asker(self, topic: str) -> str | None:
        """The name whose request topic this is; None where it is none."""
        own, _, name = topic.rpartition("/")
        return name if name and own == self.request else None

    def is_request(self, topic: str) -> bool:
        """Whether people ask on this topic, with or without a name."""
        return topic == self.request or self.asker(topic) is not None

    def alarm(self, rule: str, subject: str) -> str:
        """The record of an alarm; `subject` such as `pack/alder`."""
        return f"{self.prefix}/alarm/{rule}/{subject}"

    def advice(self, kind: str, bank: str) -> str:
        """What is suggested for a bank: `kind` is `charge-limit`, for example."""
        return f"{self.prefix}/{kind}/{bank}"

    def advice_number(self, kind: str, bank: str) -> str:
        """The same as a plain number."""
        unit = "volts" if kind == "charge-voltage" else "amps"
        return f"{self.prefix}/{kind}/{bank}/{unit}"

    def figures(self, subject: str) -> str:
        """The figures of a pack or bank."""
        return f"{self.prefix}/figures/{subject}"

    def digest(self, period: str) -> str:
        """The digest: `period` is `daily` or `weekly`."""
        return f"{self.prefix}/digest/{period}"

    def reanchor(self, pack: str) -> str:
        """The step or record of the guided re-anchoring of a pack."""
        return f"{self.prefix}/reanchor/{pack}"

    def own_retained(self) -> tuple[str, ...]:
        """Filters of all that watchd itself leaves retained, but for `service`."""
        kinds = (
            "alarm", "charge-limit", "discharge-limit", "charge-voltage", "figures", "reanchor",
            "digest",
        )  # fmt: skip
        return tuple(f"{self.prefix}/{kind}/#" for kind in kinds)


def withdrawal(topic: str) -> Publish:
    """Take away the retained message of a topic."""
    return Publish(topic, b"", qos=1, retain=True)
