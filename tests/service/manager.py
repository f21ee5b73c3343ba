"""A service manager as far as it can be had without one: it listens, and keeps what it is told."""

from __future__ import annotations

import socket
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from tests.service.patience import until


@dataclass(frozen=True, slots=True)
class Told:
    """One datagram, and when it came (s, monotonic)."""

    at: float
    text: str


class Manager:
    """A datagram socket as systemd has one; `environment` is for the service."""

    def __init__(self, **environment: str) -> None:
        self.told: list[Told] = []
        self._more = environment

    @property
    def environment(self) -> dict[str, str]:
        """What the service is started with."""
        return {"NOTIFY_SOCKET": self.address, **self._more}

    def __enter__(self) -> Self:
        # A socket's path has to be short.
        self._folder = tempfile.TemporaryDirectory()
        self.address = str(Path(self._folder.name) / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.address)
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
            end.sendto(b"", self.address)
        self._thread.join()
        self._socket.close()
        self._folder.cleanup()

    def hears(self, beginning: str, *, since: int = 0) -> Told:
        """Wait for what begins so, from position `since` on."""
        return until(
            lambda: next((t for t in self.told[since:] if t.text.startswith(beginning)), None),
            f"the manager is told {beginning}",
            seen=lambda: "\n".join(t.text for t in self.told),
        )

    def times(self, text: str) -> list[float]:
        """When it was told this."""
        return [t.at for t in self.told if t.text == text]

    def _listen(self) -> None:
        while data := self._socket.recv(4096):
            self.told.append(Told(time.monotonic(), data.decode()))
