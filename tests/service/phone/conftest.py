"""A broker, a service that takes messages, and `watchd bridge` between the two."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Listener
from tests.service.daemon import Daemon, daemons
from tests.service.hut import write_config
from tests.service.phone.receiver import Receiver

StartBridge = Callable[..., Daemon]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """Takes what it gets."""
    with Receiver() as receiver:
        yield receiver


@pytest.fixture
def other() -> Iterator[Receiver]:
    """Another one."""
    with Receiver() as receiver:
        yield receiver


def write_urls(folder: Path, *lines: str) -> Path:
    """The secret file, put in place as editors do."""
    new, path = folder / ".urls", folder / "phone-urls"
    new.touch(mode=0o600)
    new.write_text("\n".join(lines) + "\n")
    new.rename(path)
    return path


@pytest.fixture
def start(broker: BrokerProcess, tmp_path: Path) -> Iterator[StartBridge]:
    """Starts `watchd bridge` for these lines of URLs; `phone` goes into its section."""
    with daemons() as begin:

        def start(*urls: str, options: tuple[str, ...] = (), environment: Any = None,
                  wait: bool = True, **phone: Any) -> Daemon:  # fmt: skip
            path = write_urls(tmp_path, *urls)
            section = {
                "urls_file": str(path),
                "queue": str(tmp_path / "queue" / "phone.db"),
                # So that what a test sends is not waiting for a time of day.
                "gathered": [],
                **phone,
            }
            config = write_config(tmp_path, broker.port, phone=section, timezone="UTC")
            daemon = begin(config, *options, command="bridge", environment=environment)
            if wait:
                daemon.logs("listening")
            return daemon

        yield start


@pytest.fixture
def says(broker: BrokerProcess) -> Iterator[Listener]:
    """Publishes as watchd does, and hears all there is."""
    with Listener(broker.port, "watchd/#") as says:
        says.send("watchd/service", {"state": "running"}, retain=True)
        yield says


def annunciation(title: str = "alder: cell high", **instead: Any) -> dict[str, Any]:
    """A payload as watchd makes it."""
    return {
        "at": "2026-06-21T12:00:00.000Z",
        "title": title,
        "text": "alder: cell 7 is at 3.480 V",
        "priority": "high",
        "alarm": "cell-high/pack/alder",
        "event": "raised",
        "consequence": "The pack trips.",
        "response": "Charge with less current.",
        **instead,
    }
