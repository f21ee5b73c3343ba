"""The parts of a pack against their definitions: what is gathered beforehand is what would be found
by looking at everything each time.
"""

from __future__ import annotations

import json
import math
import random
from collections import Counter
from typing import Any

import pytest

from tests.scene import START, config_of
from watchd.telemetry.gate import Gate
from watchd.telemetry.names import FLAGS, MEASURED
from watchd.telemetry.parts import TOLERANCE_S, PackParts
from watchd.telemetry.sample import Quality, Sample

CONFIG = config_of("""
banks:
  hut: {charge_voltage_v: 14.0}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100, cells_in_series: 4}
telemetry: {stale_after: 60 s}
sources:
  - topic: hut/{pack}/x
    json:
      voltage_v: $.v
      current_a: $.a
      cell_v: $.c
      temperature_degc: $.t
      charge_allowed: $.chg
      protection: [{path: $.p, bits: {0: OVER_VOLT}}, {path: $.q, bits: {0: UNDER_TEMP}}]
      setting.full_v: $.full
  - {topic: "hut/{pack}/soc", value: soc_pct, stale_after: 20 s}
  - {topic: "hut/{pack}/a", value: current_a, stale_after: 90 s}
  - {topic: "hut/{pack}/t/{sensor}", value: temperature_degc}
  - {topic: "hut/{pack}/c/{cell}", value: cell_v}
  - {topic: "hut/{pack}/bal", value: balancing}
  - {topic: "hut/{pack}/late", json: {voltage_v: $.v, soc_pct: $.s, time: $.at}, stale_after: 30 s}
""")
OTHER = config_of("""
banks:
  hut: {charge_voltage_v: 14.0}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100, cells_in_series: 4}
sources:
  - {topic: "hut/{pack}/soc", value: soc_pct}
""")


class Definitions:
    """What `PackParts` promises, of the values that it saves and no more."""

    def __init__(self, parts: PackParts, limits_s: dict[str, float]) -> None:
        state = parts.snapshot()
        self.values: dict[str, list[Any]] = state["values"]
        self.begun_at: float = state["begun_at"]
        self.protection: dict[str, list[str]] = state["protection"]
        self.bad: bool = state["bad"]
        self.limits_s = limits_s
        self.measured = [n for n in MEASURED if n in limits_s]
        seen = [(n, self.values[n][1]) for n in self.measured if n in self.values]
        self.expected = seen or [(n, self.begun_at) for n in self.measured]

    def expects(self, name: str, at: float) -> bool:
        if name not in self.limits_s:
            return False
        return name in dict(self.expected) or at - self.begun_at < self.limits_s[name]

    def never_came(self, at: float) -> tuple[str, ...]:
        return tuple(n for n in self.measured if not self.expects(n, at))

    def is_silent(self, at: float) -> bool:
        return all(at - max(t, self.begun_at) >= self.limits_s[n] for n, t in self.expected)

    def is_heard(self, at: float) -> bool:
        came = [(n, t) for n, t in self.expected if n in self.values]
        return any(at - t < self.limits_s[n] for n, t in came)

    def heard_at(self) -> float | None:
        return max((t for n, (_, t) in self.values.items() if n in self.measured), default=None)

    def stale_at(self, at: float) -> float:
        ends = [m + self.limits_s[n] for n, t in self.expected for m in (t, max(t, self.begun_at))]
        return min([end for end in ends if end > at], default=math.inf)

    def check(self, sample: Sample, at: float) -> None:
        overdue, fresh = [], {}
        for name, time in self.expected:
            limit = self.limits_s[name] - TOLERANCE_S
            if at - max(time, self.begun_at) >= limit:
                overdue.append(name)
            if name in self.values and at - time < limit:
                fresh[name] = self.values[name]
        silent = bool(self.expected) and len(overdue) == len(self.expected)
        assert sample.overdue == tuple(overdue)
        assert sample.measured_at == {n: t for n, (_, t) in fresh.items()}
        for name in MEASURED:
            value = fresh[name][0] if name in fresh else None
            assert getattr(sample, name) == (tuple(value) if isinstance(value, list) else value)
        for name in FLAGS:
            known = name in self.values and not silent
            assert getattr(sample, name) == (self.values[name][0] if known else None)
        words = tuple(sorted({e for found in self.protection.values() for e in found}))
        assert sample.protection == (words if self.protection and not silent else None)
        assert sample.age_s == at - min([at, *(t for _, t in self.expected)])
        if overdue:
            assert sample.quality is Quality.STALE
        elif self.bad:
            assert sample.quality is Quality.BAD
        else:
            complete = len(fresh) == len(self.expected)
            assert sample.quality is (Quality.GOOD if complete else None)


def a_message(rng: random.Random, at: float) -> tuple[str, bytes]:
    values: dict[str, Any] = {
        "v": rng.choice([13.2, 13.3, None]),
        "a": rng.choice([0, -4.5, 1]),
        "c": rng.choice([[3.3, 3.4] * 2, [3.3] * 4, None, [3.3]]),
        "t": rng.choice([17, [17, 18], None]),
        "chg": rng.choice([True, False, None, 1]),
        "p": rng.choice([0, 0, 1, None]),
        "q": rng.choice([0, 1, None]),
        "full": rng.choice([3.45, 3.5, None]),
    }
    if rng.random() < 0.5:
        values = {n: v for n, v in values.items() if rng.random() < 0.7}
    late = {"v": 13.1, "s": rng.choice([50, None]), "at": at - rng.choice([0, 1, 5, 29.9, 31, -3])}
    topic, payload = rng.choice(
        [("x", values), ("x", values), ("soc", 77), ("a", 3.25), ("t/in", 15), ("t/out", 9.5),
         *[(f"c/{n}", 3.3 + n / 100) for n in (1, 2, 3, 4)],
         ("bal", 1), ("late", late), ("x", "nonsense")]
    )  # fmt: skip
    return f"hut/alder/{topic}", json.dumps(payload).encode()


@pytest.mark.parametrize("number", [25, pytest.param(2500, marks=pytest.mark.long)])
def test_what_is_gathered_is_what_would_be_found(number: int) -> None:
    for seed in range(number):
        _hold_against_definitions(seed)


def _hold_against_definitions(seed: int) -> None:
    rng = random.Random(seed)
    gate, at, state = Gate(CONFIG, Counter()), START, None
    kinds = rng.sample(["x", "soc", "a", "t", "c", "bal", "late"], rng.randint(1, 7))
    limits_s = gate.stale_limits_s["alder"]
    parts = PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, at)
    ends: list[float] = []
    for _ in range(200):
        at += rng.choice([0.0, 0.05, 0.4, 1.0, 1.0, 5.0, 19.9995, 20.0, 59.9985, 60.0, 300.0])
        if rng.random() < 0.1 and ends:
            at = max(at, ends[-1] - rng.choice([0.0, TOLERANCE_S, 2 * TOLERANCE_S, 1e-6, -1e-6]))
        topic, payload = a_message(rng, at)
        renewed: list[frozenset[str]] = []
        if topic.split("/")[2] in kinds:
            for _, names in gate.take(topic, payload, at, {"alder": parts}, retained=False):
                renewed.append(names)
        if rng.random() < 0.02:
            parts.resume(at)
        if rng.random() < 0.05:
            state = json.loads(json.dumps(parts.snapshot()))
            parts = PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, at, state)
            assert parts.snapshot() == state
        own = Definitions(parts, limits_s)
        sample = parts.sample(at, renewed[-1] if renewed else frozenset())
        own.check(sample, at)
        assert sample.renewed == (renewed[-1] if renewed else frozenset())
        assert parts.never_came(at) == own.never_came(at)
        assert parts.is_silent(at) == own.is_silent(at)
        assert parts.is_heard(at) == own.is_heard(at)
        assert parts.heard_at() == own.heard_at()
        assert parts.stale_at(at) == own.stale_at(at)
        for name in (*limits_s, "x"):
            assert parts.expects(name, at) == own.expects(name, at)
        if parts.stale_at(at) < math.inf:
            ends.append(parts.stale_at(at))


def test_a_sample_keeps_its_times_when_more_comes() -> None:
    gate = Gate(CONFIG, Counter())
    limits_s = gate.stale_limits_s["alder"]
    parts = PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, START)
    packs = {"alder": parts}
    list(gate.take("hut/alder/x", b'{"v": 13.2, "a": 1}', START, packs, retained=False))
    first = parts.sample(START)
    list(gate.take("hut/alder/soc", b"50", START + 1, packs, retained=False))
    list(gate.take("hut/alder/x", b'{"v": 13.3}', START + 2, packs, retained=False))
    assert first.measured_at == {"voltage_v": START, "current_a": START}
    assert first.voltage_v == 13.2


def test_protection_is_gathered_anew_when_one_place_changes() -> None:
    gate = Gate(CONFIG, Counter())
    limits_s = gate.stale_limits_s["alder"]
    parts = PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, START)
    told = []
    for words in ({"p": 0, "v": 13}, {"p": 1}, {"q": 1}, {"p": 1, "q": 0}, {"p": 0}, {"q": 0}):
        payload = json.dumps(words).encode()
        list(gate.take("hut/alder/x", payload, START, {"alder": parts}, retained=False))
        told.append(parts.sample(START).protection)
    both = ("OVER_VOLT", "UNDER_TEMP")
    assert told == [(), both[:1], both, both[:1], (), ()]


def test_what_is_no_longer_mapped_is_not_shown_and_not_forgotten() -> None:
    gate = Gate(CONFIG, Counter())
    limits_s = gate.stale_limits_s["alder"]
    parts = PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, START)
    list(gate.take("hut/alder/x", b'{"v": 13.2}', START, {"alder": parts}, retained=False))
    others_s = Gate(OTHER, Counter()).stale_limits_s["alder"]
    other = PackParts(OTHER.packs["alder"], OTHER.telemetry, others_s, START, parts.snapshot())
    sample = other.sample(START + 1)
    assert (sample.voltage_v, sample.measured_at, sample.quality) == (None, {}, None)
    assert not other.is_heard(START + 1)
    back = PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, START, other.snapshot())
    assert back.sample(START + 2).voltage_v == 13.2


def test_messages_of_one_shape_share_the_names_that_they_renew() -> None:
    gate = Gate(CONFIG, Counter())
    limits_s = gate.stale_limits_s["alder"]
    packs = {"alder": PackParts(CONFIG.packs["alder"], CONFIG.telemetry, limits_s, START)}
    found = [
        names
        for second in range(3)
        for _, names in gate.take("hut/alder/soc", b"50", START + second, packs, retained=False)
    ]
    assert found[0] is found[1] is found[2]
