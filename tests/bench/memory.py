"""Resident memory of the daemon with 4 and with 1,000 packs (banks of four), all shipped rules.

Prints, asserts nothing; run it from the project's root with `python -m tests.bench.memory
[HOURS [PACKS ...]]`. The packs send every 10 s of a clock that is let run fast, so that windows
fill as they do in so many hours; store and spool are on.

`python -m tests.bench.memory --days N`: the level day by day, of the daemon's own objects with
four packs of the simulated bank of the accuracy tests (`tests.bench.weeks`), some 15 s a day. The
heap is as the service's unit sets it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench.bank_of_packs import Bridge, write_config
from tests.bench.processes import PYTHON, daemon, publisher, send
from tests.service.brokers import mosquitto
from tests.truth import healthy, simulate
from tests.truth.messages import config_text, messages

GOALS_MB = {4: 60.0, 1000: 250.0}
EVERY_S = 10.0
RATE = 1000.0  # messages a second, of all packs
HOURS = 2.0
NAMEPLATES_AH = [280.0, 230.0, 200.0, 100.0]
# As systemd/watchd.service has it.
os.environ.setdefault("MALLOC_ARENA_MAX", "1")


def measured(port: int, config: Path, packs: int, hours: float) -> None:
    """A line at the start, after the first samples, and for each quarter of the time."""
    speed = EVERY_S * RATE / packs
    with daemon(config, options=("--clock-speed", f"{speed:g}")) as watchd:
        print(f"{packs:5} packs at the start:   {watchd.rss_mb():6.1f} MB", flush=True)
        coming = Bridge(packs).messages()
        with publisher(port) as client:
            send(client, islice(coming, packs), packs, RATE)
            watchd.becomes_quiet()
            print(f"      after the first samples: {watchd.rss_mb():6.1f} MB", flush=True)
            number = round(hours * 3600 / EVERY_S * packs / 4)
            for quarter in range(1, 5):
                send(client, coming, number, RATE)
                watchd.becomes_quiet()
                print(
                    f"{'after':>11} {quarter * hours / 4:5.2f} h: {watchd.rss_mb():17.1f} MB"
                    f" (goal {GOALS_MB.get(packs, 0):.0f} MB)",
                    flush=True,
                )


def day_by_day(days: int) -> None:
    """A line at the start and after each simulated day; the messages go through a pipe."""
    record = simulate(healthy(1, NAMEPLATES_AH, first_seed=3), days)
    with TemporaryDirectory() as name:
        config = Path(name) / "config.yaml"
        store = f"store: {{path: {name}/store/watchd.db}}\nbroker: {{host: localhost}}\n"
        config.write_text(config_text(record, 0) + store)
        command = [PYTHON, "-m", "tests.bench.weeks", str(config)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as weeks:
            assert weeks.stdin is not None
            for topic, payload, at in messages(record, 0):
                weeks.stdin.write(b"%r %b %b\n" % (at, topic.encode(), payload))


def main() -> None:
    """Print the table."""
    if sys.argv[1:2] == ["--days"]:
        day_by_day(int(sys.argv[2]))
        return
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else HOURS
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    assert program is not None, "mosquitto is not installed"
    for packs in [int(word) for word in sys.argv[2:]] or list(GOALS_MB):
        with TemporaryDirectory() as name, mosquitto(Path(program), Path(name)) as broker:
            config = write_config(Path(name), broker.port, packs)
            measured(broker.port, config, packs, hours)


if __name__ == "__main__":
    main()
