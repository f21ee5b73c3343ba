"""The demo's config: each layout arrives as the reading it was, and watchd finds the faults."""

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from demo.show.heard import fact
from demo.show.memory import Memory
from demo.show.narrator import Narrator
from demo.show.page import Page
from demo.skerry.bms import OVER_VOLTAGE
from demo.skerry.layouts import LAYOUTS
from demo.skerry.live import LIMIT_TOPIC, hear
from demo.skerry.pack import Reading
from demo.skerry.simulation import Simulation
from demo.skerry.story import DAY
from watchd import load
from watchd.engine import Engine

DEMO = Path(__file__).parents[2] / "demo"
READING = Reading(
    at=1782030000.0,
    voltage_v=53.71,
    current_a=55.3,
    soc_pct=88,
    cells_v=tuple(3.35 + number / 1000 for number in range(16)),
    temperatures_degc=(19.4, 20.1),
    charge_allowed=True,
    discharge_allowed=True,
    balancing=False,
    protection=(),
)


def engine() -> Engine:
    return Engine(*load(DEMO / "config.yaml"))


@pytest.mark.parametrize("pack", LAYOUTS)
def test_every_layout_arrives_as_the_reading_that_it_was(pack: str) -> None:
    watch = engine()
    tripped = replace(READING, at=READING.at + 5, charge_allowed=False, protection=(OVER_VOLTAGE,))
    for reading in (READING, tripped):
        for message in LAYOUTS[pack](reading):
            watch.feed(message.topic, message.payload, reading.at)
    figures = watch.figures()[f"pack/{pack}"]
    assert figures["voltage_v"] == pytest.approx(53.71)
    assert figures["current_a"] == pytest.approx(55.3)
    assert figures["soc_pct"] == 88
    assert figures["cell_max_v"] == pytest.approx(3.365)
    assert figures["cell_max_no"] == 16
    assert figures["cell_min_no"] == 1
    assert figures["temperature_max_degc"] == pytest.approx(20.1, abs=0.01)
    assert figures["charge_allowed"] is False
    assert figures["discharge_allowed"] is True
    assert figures["balancing"] is False
    assert figures["trips_24h"] == 1


def play_with_watchd(seed: int) -> Memory:
    """The whole day, with a charger that follows what watchd suggests, as run.sh has it."""
    watch, simulation, narrator = engine(), Simulation(DAY, seed), Narrator(Page())

    def tell(topic: str, payload: bytes) -> None:
        heard = fact(topic, payload)
        if heard is not None:
            narrator.tell(heard)

    while not simulation.over:
        for message in simulation.step():
            tell(message.topic, message.payload)
            for out in watch.feed(message.topic, message.payload, simulation.now):
                tell(out.topic, out.payload)
                if out.topic == LIMIT_TOPIC:
                    hear(simulation.follower, out.payload, simulation.now)
    return narrator.memory


def test_watchd_finds_the_faults_and_its_limit_prevents_the_trips() -> None:
    memory = play_with_watchd(seed=1)
    assert memory.missing == []
    assert memory.complete
    assert memory.before.trips >= 3
    assert memory.after.trips == 0
    assert memory.after.lowest_a is not None
    assert memory.after.lowest_a < 20
    assert memory.after.later_a is not None
    assert memory.after.later_a > 100
    # And no fault that the bank does not have, such as a joint at the cell that leads.
    assert {rule for rule, _ in memory.raised} == {
        "cell-spread-wide",
        "cell-near-overvoltage",
        "charge-limit-exceeded",
        "protection-trip",
        "protection-trips-repeated",
        "soc-stuck-below-full",
        "soc-disagrees",
    }


def test_run_sh_finds_the_lines_that_it_fills_in() -> None:
    text = (DEMO / "config.yaml").read_text()
    for line in ("  host: ", "  port: ", "  path: ", "rules: "):
        what = {"  path: ": "store"}.get(line, line.strip(" :"))
        found = [one for one in text.splitlines() if one.endswith(f"# run.sh: {what}")]
        assert len(found) == 1
        assert found[0].startswith(line)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--fast"], "unknown option '--fast'"),
        (["--speed"], "--speed wants a value"),
        (["--speed", "0"], "--speed wants a whole number"),
        (["--speed", "201"], "from 1 to 200, not '201'"),
        (["--broker", "here"], "--broker wants HOST:PORT"),
    ],
)
def test_run_sh_refuses_in_one_line(arguments: list[str], words: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [DEMO / "run.sh", *arguments], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stderr.count("\n") == 1
