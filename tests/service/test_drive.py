"""After a kill the engine is where it was: told the inputs since the last save again."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.scene import START, cells, config_of, leading, pack
from watchd.alarms.records import journal_entry
from watchd.engine import Engine
from watchd.loading import load_rules, shipped
from watchd.own_rules import Fault
from watchd.publish import Publish
from watchd.shell.drive import Drive
from watchd.shell.inputs import Faulted, Fed, Input, Stepped, Ticked
from watchd.shell.spool import Spool
from watchd.shell.store import Loaded

RULES = load_rules(shipped("rules"))
STATE = "hut/alder/state"


def a_day(seed: int, messages: int, begin: float = START) -> list[Input]:
    """Made-up inputs of all kinds: charge and discharge, requests, steps of the clock, faults."""
    chance = random.Random(seed)
    at, said = begin, list[Input]()
    amps, high, shown = -20.0, False, 0.0
    for _ in range(messages):
        at += chance.choice([1.0, 5.0, 10.0])
        if chance.random() < 0.02:
            amps, high = chance.uniform(-80, 60), chance.random() < 0.4
        cell_v = leading(3.47, by_mv=70) if high else cells(3.32 + amps / 20_000)
        document = pack(cell_v=cell_v, current_a=amps, soc_pct=60.0)
        said.append(Fed(at + shown, STATE, json.dumps(document).encode()))
        if chance.random() < 0.3:
            said.append(Ticked(at + shown))
        if chance.random() < 0.01:
            request = {"do": "acknowledge", "alarm": "cell-spread-wide/pack/alder", "by": "phone"}
            payload = json.dumps(request).encode()
            said.append(Fed(at + shown, "watchd/request", payload, reply_to="answers/me"))
        if chance.random() < 0.005:
            step = chance.choice([-3600.0, 7200.0])
            shown += step
            said.append(Stepped(step))
        if chance.random() < 0.005:
            why = chance.choice([None, "rules.yaml:1:1: a mistake"])
            said.append(Faulted(at + shown, Fault.RULES, why))
    return said


class FeedsElse:
    """An engine that is fed in another way."""

    def __init__(self, engine: Engine, feed: Callable[..., list[Publish]]) -> None:
        self._engine, self.feed = engine, feed

    def __getattr__(self, name: str) -> Any:
        return getattr(self._engine, name)


def journalled(drive: Drive) -> list[Any]:
    return [journal_entry(t, drive.engine.step_s) for t in drive.engine.take_transitions()]


def through_json(state: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json.dumps(state))
    return found


def differences(a: Any, b: Any, place: str = "") -> list[str]:
    """The places where plain data differs."""
    if isinstance(a, dict) and isinstance(b, dict):
        keys = sorted(a.keys() | b.keys())
        return [d for k in keys for d in differences(a.get(k), b.get(k), f"{place}/{k}")]
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        pairs = enumerate(zip(a, b, strict=True))
        return [d for n, (x, y) in pairs for d in differences(x, y, f"{place}/{n}")]
    return [] if a == b else [place]


@pytest.mark.parametrize("seed", range(4))
def test_killed_anywhere_it_goes_on_as_if_nothing_had_been(tmp_path: Path, seed: int) -> None:
    inputs = a_day(seed, 400)
    chance = random.Random(seed)
    base_at = chance.randrange(50, 200)
    newest_at = chance.randrange(base_at, 300)
    killed_at = chance.randrange(newest_at, len(inputs))

    spool = Spool(tmp_path)
    live = Drive(config_of(), RULES, spool)
    base = newest = dict[str, Any]()
    base_upto = newest_upto = 0
    journal: list[Any] = []
    said: list[Publish] = []
    delivered = saved_entries = 0
    for n, given in enumerate(inputs[:killed_at]):
        if n == base_at:
            base = newest = through_json(live.state())
            base_upto = newest_upto = live.last
            spool.begin_anew()
        said.extend(m for m in live.give(given) if m.topic == "watchd/annunciation")
        entries = journalled(live)
        journal.extend(entries)
        if n == newest_at:
            newest, newest_upto = through_json(live.state()), live.last
            saved_entries = len(journal)
        if len(said) > delivered and chance.random() < 0.2:
            live.has(said[delivered])
            delivered += 1
    spool.close()
    assert said

    spool = Spool(tmp_path)
    again = Drive(config_of(), RULES, spool)
    regained: list[Any] = []
    messages: list[Fed] = []

    def heard(given: Input, *, unkept: bool, unsaved: bool) -> None:
        entries = journalled(again)
        if unkept and isinstance(given, Fed):
            messages.append(given)
        if unsaved:
            regained.extend(entries)

    again.restore(Loaded(newest, newest_upto, base_upto, base), heard)
    assert messages == [i for i in inputs[base_at:killed_at] if isinstance(i, Fed)]
    assert journal[:saved_entries] + regained == journal
    assert [m.payload for m in again.annunciations.waiting()] == [
        m.payload for m in said[delivered:]
    ]
    found = differences(through_json(again.state()), through_json(live.state()))
    # At a start each is looked at once more: that look is counted.
    looks = re.compile(r".*/(buckets/\d+/[34]|Sharing/means)")
    assert [place for place in found if not looks.fullmatch(place)] == []
    spool.close()


def fed(seed: int, messages: int) -> list[Fed]:
    return [given for given in a_day(seed, messages) if isinstance(given, Fed)]


def test_messages_that_come_together_are_told_as_if_each_came_alone(tmp_path: Path) -> None:
    together, alone = (
        Drive(config_of(), RULES, Spool(tmp_path)),
        Drive(config_of(), RULES, Spool(None)),
    )
    messages = fed(1, 300)
    said = [m for n in range(0, len(messages), 70) for m in together.take(messages[n : n + 70])]
    assert said == [m for given in messages for m in alone.give(given)]
    assert together.last == alone.last == len(messages)
    assert through_json(together.state()) == through_json(alone.state())


def test_killed_amid_messages_that_came_together_none_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    messages = fed(1, 300)
    whole = Drive(config_of(), RULES, Spool(None))
    whole.take(messages)
    spool = Spool(tmp_path)
    live = Drive(config_of(), RULES, spool)
    spool.begin_anew()
    live.take(messages[:100])
    feed, told = live.engine.feed, list[str]()

    def killed(topic: str, *words: Any) -> list[Publish]:
        told.append(topic)
        if len(told) == 40:
            raise KeyboardInterrupt  # nothing of ours comes after it
        return feed(topic, *words)

    monkeypatch.setattr(live, "engine", FeedsElse(live.engine, killed))
    with pytest.raises(KeyboardInterrupt):
        live.take(messages[100:])
    spool.close()
    again = Drive(config_of(), RULES, Spool(tmp_path))
    assert again.restore(Loaded(), lambda *_, **__: None) == len(messages)
    assert journalled(again) == journalled(whole)
    assert again.annunciations.snapshot() == whole.annunciations.snapshot()
    assert through_json(again.state()) == through_json(whole.state())


def test_a_message_on_which_the_engine_raises_holds_up_no_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drive = Drive(config_of(), RULES, Spool(None))
    feed, messages = drive.engine.feed, fed(1, 20)

    def fails(topic: str, payload: bytes, at: float, *words: Any) -> list[Publish]:
        if at == messages[3].at:
            raise ArithmeticError("made up for this test")
        return feed(topic, payload, at, *words)

    monkeypatch.setattr(drive, "engine", FeedsElse(drive.engine, fails))
    drive.take(messages)
    assert drive.state()["engine"]["counts"]["failed"] == 1
    assert drive.state()["engine"]["at"] == messages[-1].at


def test_after_a_power_cut_the_newest_state_is_all_there_is(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    live = Drive(config_of(), RULES, spool)
    spool.begin_anew()
    inputs = a_day(7, 100)
    base, newest = dict[str, Any](), dict[str, Any]()
    for n, given in enumerate(inputs):
        live.give(given)
        if n == 40:
            base = through_json(live.state())
        if n == 80:
            newest = through_json(live.state())
    spool.clear()
    spool.close()
    again = Drive(config_of(), RULES, Spool(tmp_path))
    told = again.restore(Loaded(newest, 81, 41, base), lambda *_, **__: None)
    assert told == 0
    assert again.last == 81
    # An engine that has not begun gives what it will go on from.
    assert again.state()["engine"] == newest["engine"]


def test_a_base_that_is_gone_leaves_only_the_history_to_be_completed(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    live = Drive(config_of(), RULES, spool)
    spool.begin_anew()
    inputs = [i for i in a_day(7, 100) if isinstance(i, Fed)][:60]
    newest = dict[str, Any]()
    for n, given in enumerate(inputs, 1):
        live.give(given)
        if n == 50:
            newest = through_json(live.state())
    spool.close()
    again = Drive(config_of(), RULES, Spool(tmp_path))
    heard: list[tuple[Input, bool, bool]] = []

    def note(given: Input, *, unkept: bool, unsaved: bool) -> None:
        heard.append((given, unkept, unsaved))

    assert again.restore(Loaded(newest, 50, 20), note) == 10
    assert [given for given, unkept, _ in heard if unkept] == inputs[20:]
    assert [given for given, _, unsaved in heard if unsaved] == inputs[50:]
    assert again.state()["at"] == live.state()["at"]


def test_garbage_in_a_saved_state_is_done_without(tmp_path: Path) -> None:
    for state in (
        {"engine": 7, "annunciations": 9},
        {"engine": {}, "annunciations": {"number": "x"}},
    ):
        drive = Drive(config_of(), RULES, Spool(tmp_path))
        drive.restore(Loaded(state, 3, 3, state), lambda *_, **__: None)
        drive.resume(START)
        assert drive.annunciations.waiting() == []
