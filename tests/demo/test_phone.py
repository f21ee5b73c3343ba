"""The demo's phone: what a post brings, and how it looks."""

import asyncio
import json

import apprise
import pytest

from demo.phone.card import INDENT, WIDTH, Card, drawn
from demo.phone.receiver import Post, parsed, receive

LONG = "auk: joint at cell 12 has 0.39 mΩ too much, 0.2 W of heat in it at the highest current\n"


def test_a_card_keeps_to_its_width() -> None:
    lines = drawn(Card("Mon 17 Aug  10:55", "auk: joint resistance high", LONG * 3))
    assert {len(line) for line in lines} == {len(INDENT) + WIDTH}
    assert lines[0].startswith(f"{INDENT}╭─ Mon 17 Aug  10:55 ─")
    assert lines[1].strip("│ ").startswith("auk: joint")
    assert lines[-1] == f"{INDENT}╰{'─' * (WIDTH - 2)}╯"


def test_what_is_urgent_looks_so_and_bold_only_where_it_shows() -> None:
    lines = drawn(Card("10:55", "auk: hot", "Stop.", urgent=True), bold=True)
    assert "━" in lines[0]
    assert lines[1].count("\x1b[") == 2
    assert "\x1b" not in "".join(drawn(Card("10:55", "auk: hot", "Stop.")))


def test_of_a_long_message_the_first_lines() -> None:
    lines = drawn(Card("10:55", "auk", "\n".join(map(str, range(40)))))
    assert len(lines) == 3 + 12
    assert lines[-2].strip("│ ") == "..."


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # apprise's
def test_a_post_of_apprise_arrives() -> None:
    """apprise is what `watchd bridge` sends with; its own plugin for JSON is the outside check."""
    found: list[Post] = []

    async def send() -> bool:
        server, port = await receive(found.append)
        async with server:
            phone = apprise.Apprise()
            phone.add(f"json://127.0.0.1:{port}/")
            return bool(
                await asyncio.to_thread(
                    phone.notify, body="one\ntwo", title="auk: hot", notify_type="failure"
                )
            )

    assert asyncio.run(send())
    assert found == [Post("auk: hot", "one\ntwo", "failure")]
    assert found[0].urgent


@pytest.mark.parametrize(
    "request_text",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"POST / HTTP/1.1\r\nContent-Length: 4\r\n\r\nnope",
        b"POST / HTTP/1.1\r\nContent-Length: 2\r\n\r\n[]",
        b"POST / HTTP/1.1\r\nContent-Length: many\r\n\r\n",
        b"POST / HTTP/1.1\r\nContent-Length: 99999999\r\n\r\n",
    ],
)
def test_what_is_no_post_is_refused(request_text: bytes) -> None:
    found: list[Post] = []

    async def ask() -> bytes:
        server, port = await receive(found.append)
        async with server:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(request_text)
            answer = await reader.read()
            writer.close()
            return answer

    assert asyncio.run(ask()).startswith(b"HTTP/1.1 400 ")
    assert found == []


def test_a_post_without_its_parts_is_an_empty_one() -> None:
    assert parsed(json.dumps({"version": "1.0"}).encode()) == Post("", "", "info")
