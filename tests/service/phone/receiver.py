"""What stands in for a push service: HTTP on this computer, which can be away or say no."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self
from urllib.parse import parse_qs

from tests.service.brokers import HOST, free_port
from tests.service.patience import until


@dataclass(frozen=True, slots=True)
class Got:
    """A message that it took."""

    path: str
    title: str
    body: str
    type: str

    @property
    def all(self) -> str:
        """Title and body."""
        return f"{self.title}\n{self.body}"


class Receiver:
    """`status`: what it answers. While `held` is not set, it lets those who ask wait."""

    def __init__(self) -> None:
        self.port = free_port()
        self.got: list[Got] = []
        self.refused = 0
        self.status = 200
        self.held = threading.Event()
        self.held.set()
        self.asked = 0
        self._server: ThreadingHTTPServer | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Take connections."""
        ThreadingHTTPServer.allow_reuse_address = True
        self._server = ThreadingHTTPServer((HOST, self.port), _handler(self))
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        """Nobody is there any more."""
        self.held.set()
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def url(self, scheme: str = "json", path: str = "x") -> str:
        """For the file of URLs."""
        return f"{scheme}://{HOST}:{self.port}/{path}"

    def gets(self, *words: str, times: int = 1) -> Got:
        """Wait until so many messages with these words came; the last of them."""

        def found() -> list[Got] | None:
            fits = [g for g in list(self.got) if all(w in g.all for w in words)]
            return fits if len(fits) >= times else None

        return until(found, f"a message with {words}", seen=lambda: str(self.got))[-1]

    def titles(self) -> list[str]:
        """Of all that came."""
        return [g.title for g in self.got]


def _handler(receiver: Receiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            raw = self.rfile.read(int(self.headers["Content-Length"]))
            receiver.asked += 1
            receiver.held.wait(30)
            status = receiver.status
            if status == 200:
                receiver.got.append(_got(self.path, raw))
            else:
                receiver.refused += 1
            try:
                self.send_response(status)
                self.end_headers()
            except OSError:
                return  # who asked is gone

        def log_message(self, *_: Any) -> None:
            pass

    return Handler


def _got(path: str, raw: bytes) -> Got:
    if raw.startswith(b"{"):
        data = json.loads(raw)
    else:
        data = {key: values[0] for key, values in parse_qs(raw.decode()).items()}
    return Got(path, data["title"], data["message"], data["type"])
