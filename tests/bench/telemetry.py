"""From payload to sample: CPU time a message of 16-cell packs, in three shapes of sources.

Prints, asserts nothing; run it from the project's root with `python -m tests.bench.telemetry`.

What is timed is what the engine calls for each message: the gate, and of each pack that is renewed
its sample, and when it goes stale. Beside it stands the bare decoding of the same JSON. The figures
are those of a day of the simulated bank of the accuracy tests; the first half of them warms up.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from tests.bench.engine import Fed, decoding_us, recorded
from watchd.config import Config, parse_config
from watchd.documents import parse_document
from watchd.telemetry.gate import Gate
from watchd.telemetry.parts import PackParts

SUNSPEC = Path(__file__).parents[2] / "config.sunspec.example.yaml"
RUNS = 5
GOAL_US = 8.0
_PLAIN = """
banks:
  hut: {charge_voltage_v: 56.0}
packs:
  alder: {bank: hut, nameplate_ah: 280, max_charge_a: 140}
  birch: {bank: hut, nameplate_ah: 230, max_charge_a: 115}
sources:
  - {topic: "hut/{pack}/volts", value: voltage_v}
  - {topic: "hut/{pack}/amps", value: current_a}
  - {topic: "hut/{pack}/soc", value: soc_pct}
  - {topic: "hut/{pack}/temp/{sensor}", value: temperature_degc}
  - {topic: "hut/{pack}/cell/{cell}", value: {name: cell_v, scale: 0.001}}
"""


def plain(fed: Fed) -> Iterator[tuple[str, bytes, float]]:
    """The same figures one a topic, in a burst."""
    for topic, payload, at in fed:
        if not topic.startswith(("hut/alder/", "hut/birch/")):
            continue
        bms = json.loads(payload)
        base = topic.removesuffix("/state")
        for name in ("volts", "amps", "soc"):
            yield f"{base}/{name}", json.dumps(bms[name]).encode(), at
        yield f"{base}/temp/mid", json.dumps(bms["temp"]).encode(), at
        for cell, cell_mv in enumerate(bms["mv"], 1):
            yield f"{base}/cell/{cell}", json.dumps(cell_mv).encode(), at + 0.01 * cell


def sunspec(fed: Fed) -> Iterator[tuple[str, bytes, float]]:
    """The same figures in the shape of SunSpec's models 804 and 805."""
    for topic, payload, at in fed:
        if not topic.startswith(("hut/alder/", "hut/birch/")):
            continue
        bms, pack = json.loads(payload), topic.split("/")[1]
        string = {"ID": 804, "V": bms["volts"], "A": bms["amps"], "SoC": bms["soc"], "Evt1": 0}
        cells = [{"CellV": mv / 1000, "CellTmp": bms["temp"], "CellSt": 0} for mv in bms["mv"]]
        module = {"ID": 805, "NCell": 16, "lithium-ion-module-cell": cells}
        yield f"sunspec/{pack}/804", json.dumps(string).encode(), at
        yield f"sunspec/{pack}/805", json.dumps(module).encode(), at + 0.1


def sampling_us(config: Config, fed: Fed) -> float:
    """CPU time of a message from its payload to the sample."""
    gate = Gate(config, Counter())
    begun_at, half = fed[0][2], len(fed) // 2
    parts = {
        name: PackParts(pack, config.telemetry, gate.stale_limits_s[name], begun_at)
        for name, pack in config.packs.items()
    }
    _through(gate, parts, fed[:half])
    begin = time.process_time()
    _through(gate, parts, fed[half:])
    return (time.process_time() - begin) / (len(fed) - half) * 1e6


def _through(gate: Gate, parts: dict[str, PackParts], fed: Fed) -> None:
    for topic, payload, at in fed:
        for pack, renewed in gate.take(topic, payload, at, parts, retained=False):
            own = parts[pack]
            own.sample(at, renewed)
            own.is_silent(at)
            own.stale_at(at)
            own.never_came(at)


def main() -> None:
    """Print the table."""
    config, fed = recorded(1)

    def of(text: str, shaped: Callable[[Fed], Iterator[tuple[str, bytes, float]]]) -> Shape:
        return parse_config(parse_document(text, "config.yaml")), list(shaped(fed))

    shapes: dict[str, Shape] = {
        "one document a pack": (config, fed),
        "plain values, one a topic": of(_PLAIN, plain),
        "SunSpec's models 804 and 805": of(SUNSPEC.read_text("utf-8"), sunspec),
    }
    print(f"CPU time a message, least of {RUNS}; the goal for a document is {GOAL_US:g} us")
    for what, (own, messages) in shapes.items():
        floor = min(decoding_us(messages) for _ in range(RUNS))
        found = min(sampling_us(own, messages) for _ in range(RUNS))
        print(f"{what + ':':<30} {found:6.2f} us, decoding alone {floor:5.2f} us")


Shape = tuple[Config, Sequence[tuple[str, bytes, float]]]

if __name__ == "__main__":
    main()
