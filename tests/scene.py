"""A bank on the engine with time made up, for tests that read like the trade.

hut = Scene()
hut.run(minutes=3, alder=pack(cell_v=leading(3.45, by_mv=60), current_a=12))
assert hut.raised("cell-spread-wide", "pack/alder")
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from watchd.alarms.state import Transition
from watchd.config import Config, parse_config
from watchd.documents import parse_document
from watchd.engine import Engine
from watchd.publish import Publish
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

START = 1_790_000_000.0  # some Monday in September 2026

SOURCES = """
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
      setting.overvoltage_v: {path: $.ov_mv, scale: 0.001}
      time: $.t
  - {topic: "hut/{pack}/cell/{cell}", value: cell_v}
  - {topic: "hut/{pack}/amps", value: current_a}
  - {topic: "hut/{pack}/too-hot", value: {name: protection, when_true: OVER_TEMP}}
"""
CONFIG = f"""
banks:
  hut: {{charge_voltage_v: 56.0, max_charge_a: 200}}
packs:
  alder: {{bank: hut, nameplate_ah: 200, max_charge_a: 100}}
  birch: {{bank: hut, nameplate_ah: 200, max_charge_a: 100}}
{SOURCES}
requests: {{most_a_minute: 100000}}
"""


def config_of(text: str = CONFIG) -> Config:
    """A config from YAML text."""
    return parse_config(parse_document(text, "config.yaml"))


def rules_of(text: str) -> tuple[Rule, ...]:
    """Rules from YAML text."""
    return compile_rules([("rules.yaml", text)])


def cells(volts: float = 3.33, count: int = 16) -> list[float]:
    """A balanced pack."""
    return [volts] * count


def leading(volts: float, *, by_mv: float, cell: int = 7, count: int = 16) -> list[float]:
    """A pack in which one cell (the first is 1) is ahead of the others at `volts`."""
    found = cells(volts, count)
    found[cell - 1] = volts + by_mv / 1000
    return found


def pack(
    *,
    cell_v: list[float] | None = None,
    current_a: float = 10.0,
    voltage_v: float | None = None,
    soc_pct: float = 60.0,
    temperature_degc: float = 15.0,
    protection: int = 0,
    charge_allowed: bool = True,
    **more: Any,
) -> dict[str, Any]:
    """What a pack's bridge sends, in its own layout: mV, current positive in discharge."""
    volts = cell_v if cell_v is not None else cells()
    return {
        "volts": round(sum(volts), 3) if voltage_v is None else voltage_v,
        "amps_out": -current_a,
        "soc": soc_pct,
        "mv": [round(v * 1000) for v in volts],
        "temps": [temperature_degc, temperature_degc + 1],
        "prot": protection,
        "chg": charge_allowed,
        **more,
    }


class Scene:
    """An engine, and what it said so far. Times are seconds from `START`."""

    def __init__(
        self,
        rules: tuple[Rule, ...] = (),
        config: Config | None = None,
        state: Any = None,
        *,
        tells_samples: bool = False,
        tells_trends: bool = False,
    ) -> None:
        self.config = config or config_of()
        self.engine = Engine(
            self.config, rules, state=state, tells_samples=tells_samples, tells_trends=tells_trends
        )
        self.seconds = 0.0
        self.transitions: list[Transition] = []
        self.said: list[Publish] = []
        self.retained: dict[str, Any] = {}

    @property
    def now(self) -> float:
        """Unix seconds."""
        return START + self.seconds

    def feed(self, topic: str, payload: Any, **options: Any) -> list[Publish]:
        """One message now; a payload that is not bytes goes as JSON."""
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        return self._heard(self.engine.feed(topic, raw, self.now, **options))

    def run(
        self, *, minutes: float = 0.0, seconds: float = 0.0, every: float = 5.0, **packs: Any
    ) -> None:
        """Time goes on; each pack given by name sends its document `every` so many seconds."""
        end = self.seconds + minutes * 60 + seconds
        while self.seconds < end:
            for name, document in packs.items():
                self.feed(f"hut/{name}/state", document)
            self.seconds = min(end, self.seconds + every)
            self._heard(self.engine.tick(self.now))

    def raised(self, rule: str, subject: str) -> bool:
        """Whether the alarm stands."""
        alarm = next(a for a in self.engine.alarms() if a.key == f"{rule}/{subject}")
        return alarm.is_raised

    def history(self) -> list[tuple[float, str, str]]:
        """The transitions so far: seconds, rule/subject, state."""
        return [(round(t.at - START, 3), t.key, str(t.state)) for t in self.transitions]

    def figures(self, subject: str) -> Mapping[str, Any]:
        """The figures of `pack/NAME` or `bank/NAME` now."""
        return self.engine.figures()[subject]

    def counts(self) -> Mapping[str, int]:
        """The counters of `service` now."""
        counts: Mapping[str, int] = json.loads(self.engine.retained()[0].payload)["counts"]
        return counts

    def _heard(self, messages: list[Publish]) -> list[Publish]:
        self.said.extend(messages)
        self.transitions.extend(self.engine.take_transitions())
        for message in messages:
            if message.retain and not message.payload:
                self.retained.pop(message.topic, None)
            elif message.retain:
                self.retained[message.topic] = json.loads(message.payload)
        return messages
