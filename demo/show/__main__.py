"""The command line: `python -m demo.show`. Exit code 0 if the day showed all that it should."""

import argparse
import asyncio
import os
import shutil
import sys
from pathlib import Path

import aiomqtt

from demo.phone.receiver import receive
from demo.show.heard import TOPICS, fact
from demo.show.narrator import Narrator, opening
from demo.show.page import Page

_SILENCE_S = 20.0
_LAST_WORDS_S = 0.7
"""What watchd still has to say after the last reading."""


class Teller:
    """Prints lines, and never two empty ones in a row."""

    def __init__(self) -> None:
        self._empty = True

    def say(self, lines: list[str]) -> None:
        """Print at once: the lines come as things happen."""
        for line in lines:
            if line or not self._empty:
                print(line, flush=True)
            self._empty = not line


async def show(
    host: str, port: int, narrator: Narrator, teller: Teller, phone: Path | None
) -> str | None:
    """Tell until the day ends, with a phone where `phone` is: the file that is told its port.

    The answer is what went wrong, if anything did.
    """
    if phone is None:
        return await listen(host, port, narrator, teller)
    server, phone_port = await receive(lambda post: teller.say(narrator.posted(post)))
    phone.write_text(f"{phone_port}\n")  # noqa: ASYNC240 - a few bytes, before anything goes on
    async with server:
        return await listen(host, port, narrator, teller)


async def listen(host: str, port: int, narrator: Narrator, teller: Teller) -> str | None:
    """Tell until the day ends; the answer is what went wrong, if anything did."""
    loop = asyncio.get_running_loop()
    give_up_at = loop.time() + _SILENCE_S
    async with aiomqtt.Client(host, port) as client:
        for topic in TOPICS:
            await client.subscribe(topic, qos=1)
        messages = aiter(client.messages)
        while True:
            try:
                async with asyncio.timeout_at(give_up_at):
                    message = await anext(messages)
            except TimeoutError:
                break
            if message.retain or not isinstance(message.payload, bytes | bytearray):
                continue  # retained: from before the show
            was_over = narrator.memory.ended
            heard = fact(str(message.topic), bytes(message.payload))
            if heard is not None:
                teller.say(narrator.tell(heard))
            if not narrator.memory.ended:
                give_up_at = loop.time() + _SILENCE_S
            elif not was_over:
                give_up_at = loop.time() + _LAST_WORDS_S
    return None if narrator.memory.ended else f"nothing heard for {_SILENCE_S:.0f} s"


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(prog="python -m demo.show", description=__doc__)
    parser.add_argument("--broker", required=True, metavar="HOST:PORT")
    parser.add_argument("--speed", type=float, default=90.0)
    parser.add_argument(
        "--phone", type=Path, metavar="FILE", help="receive posts; its port goes in"
    )
    asked = parser.parse_args()
    host, _, port = asked.broker.rpartition(":")
    terminal = sys.stdout.isatty()
    width = min(shutil.get_terminal_size((96, 24)).columns - 1, 96)
    page = Page(max(width, 60), terminal and os.environ.get("TERM") != "dumb")
    narrator, teller = Narrator(page, has_phone=asked.phone is not None), Teller()
    teller.say(opening(page, asked.speed))
    try:
        wrong = asyncio.run(show(host, int(port), narrator, teller, asked.phone))
    except aiomqtt.MqttError as error:
        wrong = f"the link to the broker is gone: {error}"
    except KeyboardInterrupt:
        return 130
    teller.say(narrator.memory.summary(page))
    if wrong:
        print(f"demo: {wrong}", file=sys.stderr)
    return 0 if wrong is None and narrator.memory.complete else 1


if __name__ == "__main__":
    sys.exit(main())
