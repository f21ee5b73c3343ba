"""SIGKILL at any moment: no transition lost, none annunciated twice, no estimate jumps."""

from __future__ import annotations

import json
import random
import sqlite3
import time
from collections import Counter
from contextlib import closing
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ANNUNCIATION, FIGURES, write_config
from watchd.publish import rfc3339
from watchd.shell.inputs import Told
from watchd.shell.spool import Spool

pytestmark = pytest.mark.broker

# Each cell has an alarm for each band of 10 mV. What is raised three times in a minute chatters and
# is told no more; so each is raised once.
BANDS = range(6)
RULES = "".join(
    f"""
- rule: band-{band}
  about: cell
  when: {3.40 + band / 100:.2f} < cell_v <= {3.41 + band / 100:.2f}
  priority: critical
  say: "{{pack}}: cell {{cell}} is at {{cell_v:.3f}} V"
  cause: A cell ahead of the others.
  consequence: The pack trips before it is full.
  response: Charge with less current.
"""
    for band in BANDS
)
NEWEST = "watchd/newest-annunciation"
# In discharge, so that the state of charge falls by a known rate.
CURRENT_A, NAMEPLATE_AH = -40.0, 200.0
LONGEST_START_S = 30.0
PCT_S = CURRENT_A / NAMEPLATE_AH / 3600 * 100
FULL_WHEN = {
    "charge_voltage_v": 56.0,
    "full_when": "voltage_v >= 55.9",
    "full_hold": "1 s",
    "max_charge_a": 200,
}


def in_band(cell: int, band: int) -> dict[str, Any]:
    """One cell (the first is 1) in the middle of a band, the others below all."""
    cell_v = cells(3.33)
    cell_v[cell - 1] = 3.405 + band / 100
    return pack(cell_v=cell_v, current_a=CURRENT_A)


@pytest.fixture
def in_memory(tmp_path: Path) -> dict[str, str]:
    """The environment of a service whose manager gives it a folder in memory."""
    folder = tmp_path / "run"
    folder.mkdir()
    return {"RUNTIME_DIRECTORY": str(folder)}


# In parts, which can run side by side; 200 in all.
@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(n, marks=pytest.mark.long) for n in range(1, 9))]
)
def test_killed_at_random_moments(
    seed: int,
    broker: BrokerProcess,
    bridge: Bridge,
    watchd: Start,
    tmp_path: Path,
    in_memory: dict[str, str],
    record: Record,
) -> None:
    times = 25 if seed else 5
    chance = random.Random(seed)
    back_s = _killed(times, chance, broker, bridge, watchd, tmp_path, in_memory)
    record(f"killed {times} times at random moments ({seed})", "nothing", back_s)


def _killed(
    times: int,
    chance: random.Random,
    broker: BrokerProcess,
    bridge: Bridge,
    watchd: Start,
    folder: Path,
    environment: dict[str, str],
) -> float:
    """Kill it so often; the longest that it took to be back, in s."""
    config = write_config(folder, broker.port, rules=RULES, banks={"hut": FULL_WHEN})
    kinds = [(cell, band) for cell in range(1, 17) for band in BANDS]
    chance.shuffle(kinds)
    longest_s = 0.0
    with Listener(broker.port) as listener:
        daemon = watchd(config, environment=environment)
        bridge.says(alder=pack(cell_v=cells(3.5), current_a=1.0))
        listener(FIGURES, lambda d: d["figures"].get("soc_estimate_pct") is not None)
        begin = listener.now
        for n in range(times):
            end = time.monotonic() + chance.uniform(0.0, 1.5)
            while time.monotonic() < end and kinds:
                bridge.says(alder=in_band(*kinds.pop()))
                time.sleep(chance.uniform(0.2, 0.6))
            daemon.kill()
            killed = Stopwatch()
            daemon = watchd(config, environment=environment)
            if n % 3:  # else it is killed while it starts
                daemon.works()
                longest_s = max(longest_s, killed.seconds)
        daemon.works()
        bridge.says(alder=pack(current_a=CURRENT_A))
        listener(FIGURES, lambda d: d["figures"]["cell_max_v"] < 3.4, since=listener.now)
        listener.hear_all()
        told = [h.data for h in listener.on(ANNUNCIATION)]
        estimates = [h.data for h in listener.on(FIGURES, since=begin)]
        assert daemon.stop()[0] == 0
    _each_once(told, _journal(folder / "store" / "watchd.db"))
    _no_jump(estimates)
    return longest_s


def _journal(path: Path) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as db:
        return [json.loads(row[0]) for row in db.execute("SELECT entry FROM journal ORDER BY id")]


def _each_once(told: list[dict[str, Any]], journal: list[dict[str, Any]]) -> None:
    """What was annunciated is journalled, and the other way round, once; no step is left out."""
    heard = Counter((d["alarm"], d["event"], d["at"]) for d in told)
    assert not [what for what, n in heard.items() if n > 1], "annunciated twice"
    written = Counter((e["alarm"], e["event"], rfc3339(e["at"])) for e in journal)
    assert not [what for what, n in written.items() if n > 1], "journalled twice"
    asked = {(e["alarm"], e["event"], rfc3339(e["at"])) for e in journal if e["told"] == "yes"}
    assert heard.keys() == asked
    states: dict[str, str] = {}
    for entry in journal:
        assert states.get(entry["alarm"], "normal") == entry["before"], entry
        states[entry["alarm"]] = entry["state"]
    print(f"{len(told)} annunciations, {len(journal)} transitions")


def _no_jump(figures: list[dict[str, Any]]) -> None:
    """The estimate goes on as the current says: from one figure to the next, and over all kills.

    A figure may be younger than the sample that it rests on: by the time that a start takes on a
    busy machine, and no more. What each kill loses would add up.
    """
    points = [
        (datetime.fromisoformat(d["at"]).timestamp(), d["figures"]["soc_estimate_pct"])
        for d in figures
        if d["figures"]["current_a"] == CURRENT_A
    ]
    pairs = [*pairwise(points), (points[0], points[-1])]
    off = [abs(b - a - PCT_S * (until_s - from_s)) for (from_s, a), (until_s, b) in pairs]
    print(
        f"SoC estimate: {len(points)} figures, off by {max(off[:-1]):.4f} % at most "
        f"from one to the next, by {off[-1]:.4f} % in all"
    )
    assert max(off) < abs(PCT_S) * LONGEST_START_S


@pytest.mark.parametrize("broker_has_it", [True, False])
def test_killed_before_the_broker_answered(
    broker_has_it: bool,
    broker: BrokerProcess,
    bridge: Bridge,
    watchd: Start,
    tmp_path: Path,
    in_memory: dict[str, str],
) -> None:
    """The spool does not know that an annunciation was taken; the broker's copy of it does."""
    config = write_config(tmp_path, broker.port, rules=RULES)
    with Listener(broker.port) as listener:
        daemon = watchd(config, environment=in_memory)
        daemon.works()
        bridge.says(alder=in_band(3, 1))
        told = listener(ANNUNCIATION)
        assert listener(NEWEST).payload == told.payload
        bridge.falls_silent()
        listener.hear_all()
        daemon.kill()
        _forget_what_was_told(tmp_path / "run" / "spool")
        if not broker_has_it:
            listener.send(NEWEST, b"", retain=True)
        again = watchd(config, environment=in_memory)
        again.works()
        listener.hear_all()
        assert len(listener.on(ANNUNCIATION)) == (1 if broker_has_it else 2)
        assert listener.on(ANNUNCIATION)[-1].payload == told.payload
        assert again.stop()[0] == 0
    assert len(_journal(tmp_path / "store" / "watchd.db")) == 1


def _forget_what_was_told(folder: Path) -> None:
    """Write the inputs anew, without that the broker answered."""
    spool = Spool(folder)
    (path,) = folder.glob("*.inputs")
    kept = [given for given in spool.read(int(path.stem) - 1) if not isinstance(given, Told)]
    assert kept
    spool.last = int(path.stem) - 1
    spool.begin_anew()
    for given in kept:
        spool.add(given)
    spool.close()
