"""Some banks in each of several engines tell what one engine for all of them tells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from tests.core.three_banks import CONFIG, RULES, Message, messages
from tests.scene import START
from watchd.advice.advice import Advised
from watchd.alarms.state import Event, Told, Transition
from watchd.commands.recording import engine_for_replay, for_replay
from watchd.commands.replaying import in_order
from watchd.moved import Moved
from watchd.part import InseparableError, Part, Together
from watchd.rules.rule import Rule


def shown(told: Sequence[Transition | Advised]) -> list[str]:
    found = []
    for one in sorted(told, key=lambda one: one.at):
        if isinstance(one, Transition):
            values = {name: str(value) for name, value in one.values.items()}
            found.append(f"{one.at} {one.key} {one.event} {one.told} {one.text} {values}")
        else:
            found.append(f"{one.at} {one.bank} {one.kind} {one.advice}")
    return found


def of_one(given: Sequence[Message], rules: Sequence[Rule] = RULES) -> tuple[list[str], list[Any]]:
    """All that one engine tells, and its figures and notes at the end."""
    engine = engine_for_replay(CONFIG, rules)
    told = []
    for at, topic, payload, retained in given:
        engine.feed(topic, payload, at, retained)
        told += shown([*engine.take_transitions(), *engine.take_advice()])
    return told, [engine.figures(), in_order(engine.take_notes())]


def of_parts(
    given: Sequence[Message], banks: Sequence[Sequence[str]], rules: Sequence[Rule] = RULES
) -> tuple[list[str], list[Any]]:
    """The same of parts with these banks, put together."""
    parts = [Part(for_replay(CONFIG), rules, b, is_first=i == 0) for i, b in enumerate(banks)]
    together = Together(CONFIG, rules)
    told, at = [], 0.0
    for at, topic, payload, retained in given:
        moved = [m for p in parts if (m := p.feed(topic, payload, at, retained)) is not None]
        assert all(isinstance(m, Moved) for m in moved)
        if moved:
            transitions, advised = together.take(moved)
            told += shown([*transitions, *advised])
    told += shown(together.end(parts[0].at))
    figures = {k: v for part in parts for k, v in part.engine.figures().items()}
    notes = in_order(note for part in parts for note in part.engine.take_notes())
    return told, [figures, notes]


SEPARATE = [["hut"], ["mill"], ["shed"]]


@pytest.mark.parametrize(
    ("seed", "banks"),
    [
        (2, SEPARATE),
        (4, [["shed", "hut"], ["mill"]]),
        *(pytest.param(seed, SEPARATE, marks=pytest.mark.long) for seed in (1, 3, *range(80, 100))),
        pytest.param(5, [["mill"], ["hut", "shed"]], marks=pytest.mark.long),
        pytest.param(6, [["hut", "mill", "shed"]], marks=pytest.mark.long),
    ],
)
def test_parts_tell_what_one_engine_tells(seed: int, banks: list[list[str]]) -> None:
    given = list(messages(seed))
    told, rest = of_parts(given, banks)
    expected, expected_rest = of_one(given)
    for number, (one, other) in enumerate(zip(told, expected, strict=False)):
        assert (number, one) == (number, other)
    assert len(told) == len(expected)
    assert rest == expected_rest


def test_the_story_has_all_that_could_come_apart() -> None:
    """Else the test before would say little."""
    engine = engine_for_replay(CONFIG, RULES)
    found: list[Transition] = []
    for at, topic, payload, retained in messages(2):
        engine.feed(topic, payload, at, retained)
        found += engine.take_transitions()
    told = {(t.rule.name, t.told) for t in found}
    assert {t.subject.split("/")[1] for t in found} >= {"alder", "cedar", "fir", "hut", "watchd"}
    assert ("alarm-flood", Told.YES) in told
    assert {("cell-high", Told.FLOOD), ("hot", Told.YES), ("silent", Told.FOLLOWS)} <= told
    assert {t.event for t in found if t.rule.name == "alarm-flood"} >= {
        Event.RAISED,
        Event.RETURNED,
    }
    assert {"many", "few", "bank-silent", "bank-low"} <= {t.rule.name for t in found}


@pytest.mark.parametrize("topic", ["watchd/request", "watchd/request/keeper", "site/both"])
def test_what_concerns_more_than_one_part_is_not_taken(topic: str) -> None:
    part = Part(for_replay(CONFIG), RULES, ["hut"], is_first=False)
    part.feed("site/alder/state", b"{}", START, False)
    with pytest.raises(InseparableError):
        part.feed(topic, b"{}", START + 1, False)
