"""A healthy bank raises no alarm at all: three packs of different size, thirty days, weather."""

from __future__ import annotations

import pytest

from tests.truth import Bank, Record, Watched, healthy, simulate
from tests.truth.messages import config_of, messages
from tests.truth.processes import in_processes
from tests.truth.watched import NAMES
from watchd.alarms.alarm import Alarm, State, Transition
from watchd.engine import Engine
from watchd.figures import About
from watchd.loading import load_rules, shipped

# What a keeper would call healthy: sensors that are off by little, so that the BMSs' own counts
# hold from one full charge to the next.
OFFSET_A, GAIN = 0.1, 0.005


def sound_bank(seed: int) -> Bank:
    bank = healthy(1, [280.0, 230.0, 120.0], first_seed=seed)
    bank.offset_a *= OFFSET_A / 0.5
    bank.gain = 1.0 + (bank.gain - 1.0) * GAIN / 0.01
    # Its inverter stops long before a cell is empty.
    bank.load_cut_v = 3.05
    return bank


def told(seed: int, seconds: float, moved: Transition) -> str:
    return f"seed {seed} day {seconds / 86400:.2f}: {moved.key}: {moved.text}"


def through_the_engine(seed: int, days: int) -> list[str]:
    """What the whole engine raises, from payloads."""
    record = record_of(seed, days)
    config = config_of(record, 0, figures_every="1 h")
    engine = Engine(config, load_rules(shipped("rules")))
    raised: list[str] = []
    for topic, payload, at in messages(record, 0):
        engine.feed(topic, payload, at)
        raised.extend(
            told(seed, at - float(record.at[0]), moved)
            for moved in engine.take_transitions()
            if moved.state is State.UNACKNOWLEDGED
        )
    return raised


def through_the_estimators(seed: int, days: int) -> list[str]:
    """What the rules raise on the estimators' figures: the same, in a third of the time."""
    record = record_of(seed, days)
    rules = [r for r in load_rules(shipped("rules")) if r.about is About.PACK]
    alarms = [
        [Alarm(rule, f"pack/{name}", {"pack": name, "bank": "hut"}) for rule in rules]
        for name in NAMES[: record.bank.shape[1]]
    ]
    raised = []
    for step, pack, figures in Watched(record, 0).run():
        at = float(record.at[step])
        for alarm in alarms[pack]:
            moved = alarm.evaluate(at, figures)
            if moved is not None and moved.state is State.UNACKNOWLEDGED:
                raised.append(told(seed, at - record.at[0], moved))
    return raised


def raised_in(seed: int, days: int) -> list[str]:
    """One seed goes through the engine, the others through the estimators alone."""
    return (through_the_engine if seed == 1 else through_the_estimators)(seed, days)


def record_of(seed: int, days: int) -> Record:
    record = simulate(sound_bank(seed), days, seed=seed)
    assert record.true_full.any(axis=0).all(), "every pack must have been full"
    return record


def test_three_days_of_a_healthy_bank_raise_nothing() -> None:
    assert through_the_engine(1, days=3) == []


# In four parts: the machine may be slow, and a test that takes too long counts as one that hangs.
@pytest.mark.long
@pytest.mark.parametrize("first", [1, 6, 11, 16])
def test_thirty_days_of_healthy_banks_raise_nothing(first: int) -> None:
    seeds = range(first, first + 5)
    found = in_processes(raised_in, [(seed, 30) for seed in seeds])
    print("\nhealthy bank of three packs, 30 days (goal: no alarm), raised by seed:")
    print(", ".join(f"{seed}: {len(raised)}" for seed, raised in zip(seeds, found, strict=True)))
    assert [text for raised in found for text in raised] == []
