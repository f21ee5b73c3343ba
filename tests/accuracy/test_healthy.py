"""A healthy bank raises no alarm at all: three packs of different size, thirty days, weather."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.truth import Bank, Record, Watched, healthy, simulate
from tests.truth.messages import config_of, messages
from tests.truth.processes import in_processes
from tests.truth.watched import NAMES
from watchd.alarms.alarm import Alarm
from watchd.alarms.state import Event, Transition
from watchd.engine import Engine
from watchd.figures import About
from watchd.loading import load_rules, shipped
from watchd.reanchor_figures import FIGURES as REANCHORING
from watchd.settings import PACK_AUDIT

# What a keeper would call healthy: sensors that are off by little, so that the BMSs' own counts
# hold from one full charge to the next.
OFFSET_A, GAIN = 0.1, 0.005
SEEDS, AT_ONCE = 20, 5


def sound_banks(first_seed: int, seeds: int = 1) -> Bank:
    bank = healthy(seeds, [280.0, 230.0, 120.0], first_seed=first_seed)
    bank.offset_a *= OFFSET_A / 0.5
    bank.gain = 1.0 + (bank.gain - 1.0) * GAIN / 0.01
    # Its inverter stops long before a cell is empty.
    bank.load_cut_v = 3.05
    return bank


def record_of(first_seed: int, days: int, seeds: int = 1) -> Record:
    record = simulate(sound_banks(first_seed, seeds), days, seed=first_seed)
    assert record.true_full.any(axis=0).all(), "every pack must have been full"
    return record


def told(record: Record, moved: Transition) -> str:
    day = (moved.at - float(record.at[0])) / 86400
    return f"day {day:.2f}: {moved.key}: {moved.text}"


def raised_by_the_engine(days: int) -> list[str]:
    """What the whole engine raises, from payloads."""
    record = record_of(1, days)
    config = config_of(record, 0, figures_every="1 h")
    engine = Engine(config, load_rules(shipped("rules")))
    raised: list[str] = []
    for topic, payload, at in messages(record, 0):
        engine.feed(topic, payload, at)
        raised.extend(
            told(record, moved)
            for moved in engine.take_transitions()
            if moved.event is Event.RAISED
        )
    return raised


def raised_by_the_estimators(record: Record, seed: int) -> Iterator[Transition]:
    """Each time that a rule about a pack is raised on the estimators' figures."""
    # What is set, or being set, is no estimate: of those the whole engine tells.
    others = {f.name for f in (*PACK_AUDIT, *REANCHORING)}
    shipped_rules = load_rules(shipped("rules"))
    rules = [r for r in shipped_rules if r.about is About.PACK and others.isdisjoint(r.when.names)]
    alarms = [
        [Alarm(rule, f"pack/{name}", {"pack": name, "bank": "hut"}) for rule in rules]
        for name in NAMES[: record.bank.shape[1]]
    ]
    for step, pack, figures in Watched(record, seed).run():
        # What is momentary is shown for a minute: every half minute sees it.
        if step % 3:
            continue
        at = float(record.at[step])
        for alarm in alarms[pack]:
            moved = alarm.evaluate(at, figures)
            yield from (transition for transition in moved if transition.event is Event.RAISED)


def raised_in(first_seed: int, days: int) -> list[list[str]]:
    """What is raised of `AT_ONCE` banks, which are simulated together."""
    record = record_of(first_seed, days, AT_ONCE)
    return [
        [told(record, moved) for moved in raised_by_the_estimators(record, seed)]
        for seed in range(AT_ONCE)
    ]


def test_three_days_of_a_healthy_bank_raise_nothing() -> None:
    assert raised_by_the_engine(days=3) == []


@pytest.mark.long
def test_ten_days_through_the_engine_raise_nothing() -> None:
    assert raised_by_the_engine(days=10) == []


# In two parts: the machine may be slow, and a test that takes too long counts as one that hangs.
@pytest.mark.long
@pytest.mark.parametrize("part", [0, 1])
def test_thirty_days_of_healthy_banks_raise_nothing(part: int) -> None:
    firsts = range(1 + part * SEEDS // 2, 1 + (part + 1) * SEEDS // 2, AT_ONCE)
    found = in_processes(raised_in, [(first, 30) for first in firsts])
    banks = [raised for group in found for raised in group]
    print(f"\nhealthy banks of three packs, 30 days, {len(banks)} seeds (goal: no alarm); raised:")
    print(", ".join(str(len(raised)) for raised in banks))
    assert [text for raised in banks for text in raised] == []
