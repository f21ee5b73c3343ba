"""The engine alone: CPU time a message and samples a second, 16-cell packs, all shipped rules.

Prints, asserts nothing; run it from the project's root with `python -m tests.bench.engine [DAYS]`.

The messages are those of the simulated bank of the accuracy tests: four packs, a
sample each 10 s. The first half of them warms up; beside each figure stands its ratio to the bare
decoding of the same JSON.
"""

from __future__ import annotations

import gc
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec

from tests.truth import healthy, simulate
from tests.truth.messages import config_of, messages
from watchd.commands.recording import engine_for_replay
from watchd.config import Config
from watchd.engine import Engine
from watchd.loading import load_rules
from watchd.rules.rule import Rule

RULES = Path(__file__).parents[2] / "rules"
NAMEPLATES_AH = [280.0, 230.0, 200.0, 100.0]
GOAL = 20_000
RUNS = 3
Fed = Sequence[tuple[str, bytes, float]]


def recorded(days: int) -> tuple[Config, Fed]:
    """The config of a bank, and what its bridge sends in so many days."""
    record = simulate(healthy(1, NAMEPLATES_AH, first_seed=3), days)
    return config_of(record, 0), list(messages(record, 0))


def decoding_us(fed: Fed) -> float:
    """CPU time to decode one message with the fastest decoder, and nothing else."""
    decode = msgspec.json.Decoder().decode
    begin = time.process_time()
    for _, payload, _ in fed:
        decode(payload)
    return (time.process_time() - begin) / len(fed) * 1e6


def engine_us(made: Callable[[], Engine], fed: Fed) -> float:
    """CPU time of one message in an engine that has seen the first half of them."""
    engine, half = made(), len(fed) // 2
    _through(engine, fed[:half])
    gc.collect()
    begin = time.process_time()
    _through(engine, fed[half:])
    return (time.process_time() - begin) / (len(fed) - half) * 1e6


def _through(engine: Engine, fed: Fed) -> None:
    for topic, payload, at in fed:
        engine.feed(topic, payload, at)
        engine.take_transitions()
        engine.take_advice()


def main() -> None:
    """Print the table."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    config, fed = recorded(days)
    rules: tuple[Rule, ...] = load_rules(RULES)
    print(f"{days} solar days, 4 packs, {len(rules)} rules, CPU time; medians of {RUNS}")
    floor = statistics.median(decoding_us(fed) for _ in range(RUNS))
    print(f"decoding alone:   {floor:6.2f} us a message")
    for what, made in (
        ("as the daemon", lambda: Engine(config, rules)),
        ("as a replay", lambda: engine_for_replay(config, rules)),
    ):
        found = statistics.median(engine_us(made, fed) for _ in range(RUNS))
        print(
            f"{what + ':':<17} {found:6.1f} us a message, {1e6 / found:7,.0f} samples a second "
            f"(goal {GOAL:,}), {found / floor:5.1f} x decoding"
        )


if __name__ == "__main__":
    main()
