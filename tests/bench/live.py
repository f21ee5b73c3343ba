"""The daemon's CPU time a message beside a bare subscriber's, in one run.

`watchd run` with all shipped rules, four packs, store and spool on, and an aiomqtt client that only
decodes the same JSON with msgspec: each a process of its own on one mosquitto, with the same
messages at QoS 0 over MQTT 3.1.1. Prints, asserts nothing; run it from the project's root with
`python -m tests.bench.live [MESSAGES [RATE ...]]`. `--profile` prints where the daemon's time goes
(cProfile slows it down: then only the shares count); with `--shell-alone` the engine does nothing.

What the daemon takes without messages is measured before, and shown and taken off.
"""

from __future__ import annotations

import pstats
import shutil
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench.bank_of_packs import Bridge, write_config
from tests.bench.processes import SHELL_ALONE, Child, daemon, publisher, send, subscriber
from tests.service.brokers import mosquitto

PACKS = 4
GOAL = 2.0
WARM_UP = 2000
IDLE_S = 5.0
MESSAGES = 10_000
RATES = (200.0, 1000.0, 2000.0)
SHOWN = 45


def measured(
    port: int, config: Path, number: int, rates: list[float], profile: Path | None
) -> None:
    """A line for each rate."""
    program = ["-m", "watchd"]
    if "--shell-alone" in sys.argv:
        alone = config.with_name("shell_alone.py")
        alone.write_text(SHELL_ALONE)
        program = [str(alone)]
    with (
        daemon(config, profile=profile, program=program) as watchd,
        subscriber(port) as bare,
        publisher(port) as client,
    ):
        idle = idle_share(watchd)
        print(f"idle: {idle * 100:.2f} % of a core without messages", flush=True)
        messages = Bridge(PACKS).messages()
        send(client, messages, WARM_UP, 1000.0)
        for rate in rates:
            for child in (watchd, bare):
                child.becomes_quiet()
            begin, before = time.monotonic(), (watchd.cpu_s(), bare.cpu_s())
            reached = send(client, messages, number, rate)
            for child in (watchd, bare):
                child.becomes_quiet()
            idle_s = idle * (time.monotonic() - begin)
            own = (watchd.cpu_s() - before[0] - idle_s) / number * 1e6
            floor = (bare.cpu_s() - before[1]) / number * 1e6
            print(
                f"{reached:6.0f} a second: watchd {own:6.1f} us a message, bare subscriber "
                f"{floor:5.1f} us: {own / floor:5.2f} x (goal {GOAL:.1f})",
                flush=True,
            )


def idle_share(watchd: Child) -> float:
    """Of one core, while nothing comes."""
    watchd.becomes_quiet()
    before = watchd.cpu_s()
    time.sleep(IDLE_S)
    return (watchd.cpu_s() - before) / IDLE_S


def main() -> None:
    """Print the table."""
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    number = int(words[0]) if words else MESSAGES
    rates = [float(word) for word in words[1:]] or list(RATES)
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    assert program is not None, "mosquitto is not installed"
    with TemporaryDirectory() as name:
        folder = Path(name)
        profile = folder / "profile" if "--profile" in sys.argv else None
        with mosquitto(Path(program), folder) as broker:
            print(f"{PACKS} packs, {number:,} messages at each rate, QoS 0")
            measured(broker.port, write_config(folder, broker.port, PACKS), number, rates, profile)
        log = (folder / "watchd.log").read_text()
        print(f"{log.count(' alarm ')} lines of alarms, {log.count('dropped')} of drops in its log")
        if profile is not None:
            pstats.Stats(str(profile)).sort_stats("tottime").print_stats(SHOWN)


if __name__ == "__main__":
    main()
