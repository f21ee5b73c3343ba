"""How the engine grows: CPU time a message and memory for 4 to 2,000 packs, in banks of four.

Prints, asserts nothing; run it from the project's root with
`python -m tests.bench.growth [--packs N ...] [--samples N]`.

Each row is a process of its own. All shipped rules run, samples and trends are told as in the
daemon, and each pack sends a sample each 10 s; the first half of them warms up. The telemetry is
invented: a sine of current over a flat cell. `begin` is the CPU time from the config to the first
evaluation.
"""

from __future__ import annotations

import argparse
import gc
import json
import math
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.scene import config_of
from watchd.config import Config
from watchd.engine import Engine
from watchd.loading import load_rules

RULES = Path(__file__).parents[2] / "rules"
PACKS = (4, 40, 400, 2000)
SAMPLES = 40
OF_A_BANK, CELLS, EVERY_S = 4, 16, 10.0
BEGIN = 1_790_000_000.0
SOURCE = """
sources:
  - topic: hut/{pack}/state
    json: {voltage_v: $.volts, current_a: $.amps, soc_pct: $.soc, temperature_degc: $.temp,
           charge_allowed: $.chg, cell_v: {path: "$.mv[*]", scale: 0.001}}
"""


def config(packs: int) -> Config:
    """So many packs, four to a bank."""
    banks = [
        f"  bank{n}: {{charge_voltage_v: 55.2, max_charge_a: 300}}"
        for n in range(math.ceil(packs / OF_A_BANK))
    ]
    members = [
        f"  pack{n}: {{bank: bank{n // OF_A_BANK}, nameplate_ah: 200, max_charge_a: 100, "
        "max_discharge_a: 150}"
        for n in range(packs)
    ]
    return config_of("\n".join(["banks:", *banks, "packs:", *members, SOURCE]))


def messages(packs: int, first: int, last: int) -> Iterator[tuple[str, bytes, float]]:
    """The samples from one number to another, of all packs in turn."""
    for number in range(first, last):
        for pack in range(packs):
            at = BEGIN + EVERY_S * (number + pack / packs)
            amps = 40.0 * math.sin(number / 50.0 + pack)
            cells = [3300 + round(amps / 10) + (number * cell + pack) % 4 for cell in range(CELLS)]
            state = {
                "volts": sum(cells) / 1000.0,
                "amps": round(amps, 1),
                "soc": 60.0,
                "temp": 21.0,
                "chg": True,
                "mv": cells,
            }
            yield f"hut/pack{pack}/state", json.dumps(state).encode(), at


def resident_mb() -> float:
    """Of this process; Linux."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def row(packs: int, samples: int) -> str:
    """What one size comes to."""
    rules, of = load_rules(RULES), config(packs)
    gc.collect()
    before_mb, begin = resident_mb(), time.process_time()
    engine = Engine(of, rules, tells_samples=True, tells_trends=True)
    engine.tick(BEGIN)
    begin_s = time.process_time() - begin
    _through(engine, list(messages(packs, 0, samples // 2)))
    fed = list(messages(packs, samples // 2, samples))
    gc.collect()
    begin = time.process_time()
    _through(engine, fed)
    each_us = (time.process_time() - begin) / len(fed) * 1e6
    del fed
    gc.collect()
    mb = resident_mb()
    each_kb = (mb - before_mb) * 1000.0 / packs
    return f"{packs:6d} {begin_s:8.2f} s {each_us:8.1f} us {mb:8.1f} MB {each_kb:8.1f} kB"


def _through(engine: Engine, fed: list[tuple[str, bytes, float]]) -> None:
    for topic, payload, at in fed:
        engine.feed(topic, payload, at)
        engine.take_transitions()
        engine.take_advice()
        engine.take_samples()
        engine.take_trends()


def main() -> None:
    """Print the table, or with `--row` one of its rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, nargs="+", default=PACKS)
    parser.add_argument("--samples", type=int, default=SAMPLES, help="of each pack")
    parser.add_argument("--row", action="store_true", help="this process is the row")
    options = parser.parse_args()
    if options.row:
        print(row(options.packs[0], options.samples))
        return
    print(f"{options.samples} samples of each pack")
    print(" packs      begin     message    resident       a pack", flush=True)
    for packs in options.packs:
        own = ["--row", "--packs", str(packs), "--samples", str(options.samples)]
        subprocess.run([sys.executable, "-m", "tests.bench.growth", *own], check=True)


if __name__ == "__main__":
    main()
