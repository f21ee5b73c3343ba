"""What the store writes to the disk in a day: four packs of 16 cells, a document each per second.
Prints, asserts nothing; run it from the project's root with `python -m tests.bench.disk [HOURS]`.

The real engine makes the states, the real archive writes them and the messages, with the clock made
up. Bytes are those that the kernel writes for this process (write_bytes of /proc/self/io), the -wal
and its checkpoints included; what the file system needs for itself comes on top. Telemetry and
transitions are invented: noise of 1 mV and 0.1 A, an alarm that changes every quarter of an hour.
"""

from __future__ import annotations

import asyncio
import json
import random
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from tests.scene import START, config_of, pack
from watchd import config as schema
from watchd.engine import Engine
from watchd.history.trending import Look
from watchd.loading import load_rules, shipped
from watchd.messages import JournalEntry
from watchd.shell.store import archive as archives
from watchd.shell.store.archive import BLOCK_S, Archive
from watchd.shell.store.contents import pack_state
from watchd.watch.measured import Measured

PACKS = ("alder", "birch", "cedar", "elm")
CONFIG = (
    "banks: {hut: {charge_voltage_v: 56.0, max_charge_a: 400}}\n"
    "packs:\n"
    + "".join(f"  {p}: {{bank: hut, nameplate_ah: 280, max_charge_a: 140}}\n" for p in PACKS)
    + """
sources:
  - topic: hut/{pack}/state
    json:
      voltage_v: $.volts
      current_a: {path: $.amps_out, scale: -1}
      soc_pct: $.soc
      cell_v: {path: "$.mv[*]", scale: 0.001}
      temperature_degc: "$.temps[*]"
      protection: {path: $.prot, bits: {0: OVER_VOLT, 1: UNDER_VOLT}}
      charge_allowed: $.chg
"""
)
TRANSITION_EVERY_S = 900
WRITTEN_AFTER_S = 2  # after a transition
GOAL_MB = 50.0


@dataclass(slots=True)
class Second:
    """What one second brings to the archive."""

    messages: list[tuple[str, bytes]]
    entry: JournalEntry | None = None
    state: dict[str, Any] | None = None
    samples: list[Measured] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)


@dataclass(slots=True)
class Bank:
    """Four packs on a day of sun: current and voltages wander, and each reading has its noise."""

    dice: random.Random = field(default_factory=lambda: random.Random(7))
    cells_v: dict[str, list[float]] = field(default_factory=dict)
    current_a: float = 20.0
    soc_pct: float = 50.0

    def documents(self) -> Iterator[tuple[str, bytes]]:
        """A second of telemetry."""
        self.current_a += self.dice.gauss(0, 1) + (20 - self.current_a) * 0.01
        self.soc_pct = min(99.0, self.soc_pct + self.current_a / 280 / 36)
        for name in PACKS:
            volts = self.cells_v.setdefault(name, [self.dice.gauss(3.33, 0.005) for _ in range(16)])
            cell_v = [v + self.current_a * 2e-4 + self.dice.gauss(0, 0.001) for v in volts]
            document = pack(
                cell_v=cell_v,
                current_a=round(self.current_a + self.dice.gauss(0, 0.1), 1),
                voltage_v=round(sum(cell_v), 2),
                soc_pct=round(self.soc_pct),
                temperature_degc=round(self.dice.gauss(15, 0.1), 1),
            )
            yield f"hut/{name}/state", json.dumps(document).encode()


def seconds(hours: float) -> Iterator[Second]:
    """What the archive is told, second by second; a state where one is saved."""
    engine = Engine(
        config_of(CONFIG), load_rules(shipped("rules")), tells_samples=True, tells_trends=True
    )
    bank = Bank()
    for second in range(round(hours * 3600)):
        at = START + second
        messages = list(bank.documents())
        for topic, payload in messages:
            engine.feed(topic, payload, at)
        engine.tick(at)
        entry, state = None, None
        if second % TRANSITION_EVERY_S == 450:
            entry = transition(at)
        if second % TRANSITION_EVERY_S == 450 + WRITTEN_AFTER_S or second % BLOCK_S == 0:
            state = engine.snapshot()
        # The archive wants the days once an hour; it leaves the others.
        looks = engine.take_trends() + (list(engine.pack_days()) if state is not None else [])
        yield Second(messages, entry, state, engine.take_samples(), looks)


def transition(at: float) -> JournalEntry:
    """An alarm of the usual length."""
    entry = {
        "at": at,
        "alarm": "cell-spread-wide/pack/alder",
        "event": "raised",
        "before": "normal",
        "state": "unacknowledged",
        "condition": "unacknowledged",
        "priority": "medium",
        "told": "yes",
        "by": "",
        "text": "alder: cells 55 mV apart, cell 7 leads at 3.465 V",
        "values": {"cell_spread_mv": 55.0, "cell_max_v": 3.465, "current_a": 20.0},
    }
    return cast("JournalEntry", entry)


async def written_mb(
    day: list[Second],
    *,
    journal: bool = True,
    messages: bool = True,
    samples: bool = True,
    figures: bool = True,
) -> tuple[float, float]:
    """MB written to the disk, and MB that the files have at the end."""
    now, dice = 0.0, random.Random(8)
    vars(archives)["time"] = SimpleNamespace(monotonic=lambda: now)
    with tempfile.TemporaryDirectory(dir=".") as folder:
        path = Path(folder) / "watchd.db"
        setting = {"path": str(path), "keep_raw": "90 d" if messages else "0 s"}
        archive = Archive(schema.Store.model_validate(setting))
        begin = write_bytes()
        for second in day:
            now += 1.0
            for topic, payload in second.messages:
                archive.record(topic, payload, START + now + dice.random(), retained=False)
            if samples:
                archive.sample(second.samples)
            if figures:
                days = archive.wants_days()
                archive.trends([k for k in second.looks if days or k.day is None])
            if second.entry is not None and journal:
                archive.journal(second.entry)
            saves = second.state is not None and (journal or int(now - 1) % BLOCK_S == 0)
            if saves:
                await archive.write(second.state, upto=int(now) * len(PACKS))
        await archive.write(day[0].state, last=True)
        archive.close()
        spent = write_bytes() - begin
        size = sum(p.stat().st_size for p in Path(folder).iterdir())
    return spent / 1e6, size / 1e6


def write_bytes() -> int:
    """Bytes that this process has caused to be sent to the disk. proc_pid_io(5)."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def main() -> None:
    """Print the table."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 6.0
    day = list(seconds(hours))
    states = [pack_state(s.state) for s in day if s.state is not None]
    plain = [len(json.dumps(s.state)) for s in day if s.state is not None]
    sent = sum(len(payload) for s in day for _, payload in s.messages)
    a_day = 24 / hours
    whole, size = asyncio.run(written_mb(day))
    if not whole:
        print("the file system here does not tell what is written; try another folder")
        return
    none = {"messages": False, "samples": False, "figures": False}
    state, _ = asyncio.run(written_mb(day, journal=False, **none))
    journal, _ = asyncio.run(written_mb(day, **none))
    sampled, _ = asyncio.run(written_mb(day, messages=False, figures=False))
    without, _ = asyncio.run(written_mb(day, figures=False))
    print(f"{hours:g} h of four packs at 1 Hz, MB a day (goal: at most {GOAL_MB:g})")
    print(f"  state, each 5 min       {state * a_day:6.1f}")
    print(f"  journal, 96 transitions {(journal - state) * a_day:6.1f}")
    print(f"  samples                 {(sampled - journal) * a_day:6.1f}")
    print(f"  messages                {(without - sampled) * a_day:6.1f}")
    print(f"  trends and pack days    {(whole - without) * a_day:6.1f}")
    print(f"  all                     {whole * a_day:6.1f}")
    print(f"the file grows by         {size * a_day:6.1f}")
    print(f"sent by the packs         {sent / 1e6 * a_day:6.1f}")
    print(f"a state: {plain[-1] / 1000:.1f} kB, packed {len(states[-1]) / 1000:.1f} kB")


if __name__ == "__main__":
    main()
