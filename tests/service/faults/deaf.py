"""Those who listen where the broker should, and are none."""

from __future__ import annotations

import socket
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Self

from tests.service.brokers import HOST

PEEK_S = 0.05
NAME = b"\x00\x04MQTT"  # the level of the protocol follows it (MQTT 3.1.1 section 3.1.2.2)
CONNACK = {4: b"\x20\x02\x00\x00", 5: b"\x20\x03\x00\x00\x00"}


class Deaf:
    """Takes connections, says the next of `says`, and nothing more.

    With `lets_in` that comes after a CONNACK, else at once.
    """

    def __init__(self, *says: bytes, lets_in: bool = False) -> None:
        self.opened = 0
        self._says: Sequence[bytes] = says or (b"",)
        self._lets_in = lets_in
        self._end = threading.Event()
        self._listener = socket.create_server((HOST, 0))
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._accept)
        self._open: list[socket.socket] = []

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()
        for one in (self._listener, *self._open):
            one.close()

    def _accept(self) -> None:
        self._listener.settimeout(PEEK_S)
        while not self._end.is_set():
            with suppress(TimeoutError):
                near, _ = self._listener.accept()
                said = self._says[self.opened % len(self._says)]
                self.opened += 1
                self._open.append(near)
                near.settimeout(None)
                threading.Thread(target=self._serve, args=(near, said), daemon=True).start()

    def _serve(self, near: socket.socket, said: bytes) -> None:
        with suppress(OSError):
            if self._lets_in:
                connect = near.recv(4096)
                level = connect[connect.index(NAME) + len(NAME)]
                near.sendall(CONNACK[level])
            near.sendall(said)
            while near.recv(4096):
                pass
