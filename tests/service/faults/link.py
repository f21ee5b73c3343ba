"""What lies between a daemon and its broker: a TCP proxy that fails as networks do."""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from contextlib import suppress
from typing import Self

from tests.service.brokers import HOST

CHUNK = 512
# Small, so that what is on its way is what the link holds, and not what two kernels do.
BUFFER = 4096
OUT, IN = "out", "in"  # towards the broker, and from it
PEEK_S = 0.05


class Link:
    """Listens on `port` and hands on to `to`, a port that may be another at any time."""

    def __init__(self, to: int) -> None:
        self.to = to
        self.opened = 0  # connections so far
        self.carried = {OUT: 0, IN: 0}  # bytes so far
        self._latency_s = 0.0
        self._rate: float | None = None
        self._refuses = False
        self._swallows: frozenset[str] = frozenset()
        self._open: list[_Connection] = []
        self._end = threading.Event()
        self._listener = socket.create_server((HOST, 0))
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER)
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._accept)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()
        self._listener.close()
        self.cut()

    def cut(self) -> None:
        """Close all connections."""
        connections, self._open = self._open, []
        for connection in connections:
            connection.close()

    def cut_near(self) -> None:
        """Close all connections on the daemon's side; the broker is not told."""
        for connection in self._open:
            connection.close_near()

    def refuse(self) -> None:
        """Close all connections, and each new one at once."""
        self._refuses = True
        self.cut()

    def takes(self) -> None:
        """The end of `refuse`."""
        self._refuses = False

    def swallow(self, *directions: str) -> None:
        """From now on nothing passes in these directions, and nobody is told.

        Connections of now stay so for ever; new ones until this is called with nothing.
        """
        self._swallows = frozenset(directions)
        for connection in self._open:
            connection.swallows |= self._swallows

    def slow_down(self, latency_s: float, rate: float | None) -> None:
        """Each byte takes `latency_s`, and at most `rate` bytes pass in a second, both each way."""
        self._latency_s, self._rate = latency_s, rate

    def _accept(self) -> None:
        self._listener.settimeout(PEEK_S)
        while not self._end.is_set():
            with suppress(TimeoutError):
                near, _ = self._listener.accept()
                self.opened += 1
                self._join(near)

    def _join(self, near: socket.socket) -> None:
        if self._refuses:
            near.close()
            return
        far = socket.socket()
        far.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER)
        try:
            far.connect((HOST, self.to))
        except OSError:
            near.close()
            far.close()
            return
        connection = _Connection(self, near, far, self._swallows)
        self._open.append(connection)
        connection.start()

    def carry(self, direction: str, chunk: bytes, since: float) -> float:
        """Count a chunk, take the time that it takes; when it is to come out."""
        self.carried[direction] += len(chunk)
        if self._rate is not None:
            time.sleep(len(chunk) / self._rate)
        return since + self._latency_s


class _Connection:
    """Two sockets, and for each direction one who reads and one who writes."""

    def __init__(
        self, link: Link, near: socket.socket, far: socket.socket, swallows: frozenset[str]
    ) -> None:
        self.swallows = swallows
        self._link, self._sockets = link, (near, far)
        self._closed = threading.Event()
        for one in self._sockets:
            one.settimeout(None)
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def start(self) -> None:
        """Begin to hand on."""
        near, far = self._sockets
        for direction, source, drain in ((OUT, near, far), (IN, far, near)):
            waiting: deque[tuple[float, bytes]] = deque()
            some = threading.Semaphore(0)
            threading.Thread(
                target=self._read, args=(direction, source, waiting, some), daemon=True
            ).start()
            threading.Thread(
                target=self._write, args=(direction, drain, waiting, some), daemon=True
            ).start()

    def close(self) -> None:
        """Close both sides."""
        self._closed.set()
        for one in self._sockets:
            _shut(one)

    def close_near(self) -> None:
        """Close the daemon's side."""
        _shut(self._sockets[0])

    def _read(
        self,
        direction: str,
        source: socket.socket,
        waiting: deque[tuple[float, bytes]],
        some: threading.Semaphore,
    ) -> None:
        chunk = b"begin"
        while chunk:
            try:
                chunk = source.recv(CHUNK)
            except OSError:
                chunk = b""
            if direction in self.swallows:
                continue
            due = self._link.carry(direction, chunk, time.monotonic())
            waiting.append((due, chunk))
            some.release()

    def _write(
        self,
        direction: str,
        drain: socket.socket,
        waiting: deque[tuple[float, bytes]],
        some: threading.Semaphore,
    ) -> None:
        while True:
            some.acquire()
            due, chunk = waiting.popleft()
            self._closed.wait(max(0.0, due - time.monotonic()))
            if self._closed.is_set():
                return
            if direction in self.swallows:
                continue
            if not chunk:  # the end is handed on
                self.close()
                return
            with suppress(OSError):
                drain.sendall(chunk)


def _shut(one: socket.socket) -> None:
    with suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
