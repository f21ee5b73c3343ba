"""The command line: `python -m demo.skerry`."""

import argparse
import asyncio
import sys
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import aiomqtt

from demo.skerry.live import Pace, publish_live
from demo.skerry.record import record
from demo.skerry.simulation import taper
from demo.skerry.story import DAY, START


def _start(text: str) -> float:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise argparse.ArgumentTypeError(f"'{text}' has no time zone; end it with Z")
    return moment.timestamp()


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal():
        raise argparse.ArgumentTypeError(f"'{text}' is not HOST:PORT")
    return host, int(port)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m demo.skerry",
        description="A day of a simulated bank: over MQTT, or at once into a recording.",
    )
    parser.add_argument("--broker", type=_address, default=("127.0.0.1", 1883), help="HOST:PORT")
    parser.add_argument("--speed", type=float, default=90.0, help="how much faster than real time")
    parser.add_argument("--start", type=_start, default=START, help="the day's first moment, UTC")
    parser.add_argument("--zero", type=float, help="Unix seconds at which the day starts; now")
    parser.add_argument("--seed", type=int, default=1, help="another seed, another noise")
    parser.add_argument("--record", type=Path, metavar="FILE", help="write JSON Lines instead")
    parser.add_argument(
        "--taper",
        action="store_true",
        help="in a recording, the charger follows a plain taper in the second part",
    )
    return parser


def main() -> int:
    """Run the command line."""
    parser = _parser()
    asked = parser.parse_args()
    if asked.speed <= 0:
        parser.error("--speed must be above 0")
    if asked.record is not None:
        story = DAY if asked.taper else replace(DAY, follows_from_h=None)
        count = record(asked.record, story, asked.seed, taper if asked.taper else None)
        print(f"{count} messages in {asked.record}")
        return 0
    zero = time.time() if asked.zero is None else asked.zero
    host, port = asked.broker
    try:
        asyncio.run(publish_live(host, port, DAY, asked.seed, Pace(asked.start, zero, asked.speed)))
    except aiomqtt.MqttError as error:
        print(f"skerry: no link to the broker {host}:{port}: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
