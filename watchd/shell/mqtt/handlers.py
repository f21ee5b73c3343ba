"""What the links call, and what they ask for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from watchd.publish import Publish
from watchd.shell.mqtt.intake import Arrived

Linked = Callable[[], None]  # the link stands


@dataclass(frozen=True, slots=True)
class Handlers:
    """`take` and `dropped` get what came, `delivered` what the broker has, `broker_shows` its copy
    of the newest annunciation; the others give what is to be sent and subscribed.
    """

    take: Callable[[Sequence[Arrived]], None]
    dropped: Callable[[int], None]
    delivered: Callable[[Publish], None]
    broker_shows: Callable[[bytes], None]
    retained: Callable[[], list[Publish]]
    subscriptions: Callable[[], list[str]]
