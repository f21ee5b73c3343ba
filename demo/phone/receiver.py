"""A small receiver of HTTP posts on the loopback interface, as a phone service would be.

It takes what `watchd bridge` sends by apprise's `json://`: a POST with a JSON object of `title`,
`message` and `type` (info, success, warning, failure).
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import dataclass

_LARGEST = 65_536
_HOST = "127.0.0.1"
_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True)
class Post:
    """A message that came."""

    title: str
    message: str
    kind: str

    @property
    def urgent(self) -> bool:
        """Whether the phone is to ring."""
        return self.kind == "failure"


async def receive(take: Callable[[Post], None]) -> tuple[asyncio.Server, int]:
    """A server that hands on each post, and its port. Close it when all is over."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(_WITHIN_S):
                post = parsed(await _body(reader))
        except (ValueError, TimeoutError, asyncio.IncompleteReadError):
            post = None
        if post is not None:
            take(post)
        status = "200 OK" if post is not None else "400 Bad Request"
        writer.write(
            f"HTTP/1.1 {status}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n".encode()
        )
        try:
            await writer.drain()
        except ConnectionError:
            return  # who has gone wants no answer
        finally:
            writer.close()

    server = await asyncio.start_server(answer, _HOST, 0, limit=_LARGEST)
    return server, int(server.sockets[0].getsockname()[1])


async def _body(reader: asyncio.StreamReader) -> bytes:
    try:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
    except asyncio.LimitOverrunError as error:
        raise ValueError("too long a head") from error
    if not head[0].startswith("POST "):
        raise ValueError("no POST")
    fields = {name.strip().lower(): value for name, _, value in (h.partition(":") for h in head)}
    length = int(fields.get("content-length", "0"))
    if not 0 < length <= _LARGEST:
        raise ValueError("too long a body")
    return await reader.readexactly(length)


def parsed(body: bytes) -> Post:
    """The post of a body. Raises ValueError."""
    document = json.loads(body)
    if not isinstance(document, dict):
        raise ValueError("no object")  # noqa: TRY004 - who posts is answered, whatever was wrong
    return Post(
        str(document.get("title", "")),
        str(document.get("message", "")),
        str(document.get("type", "info")),
    )
