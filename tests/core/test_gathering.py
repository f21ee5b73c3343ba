"""A state that is gathered while the engine goes on is that of the moment at which it was begun.

Property test against `Engine.snapshot`, which takes all at once.
"""

from __future__ import annotations

import json
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.core.anchoring import low_at_full
from tests.core.three_banks import CONFIG, RULES, Message, messages
from tests.scene import START
from watchd.alarms.state import State
from watchd.digest.schedule import Period
from watchd.engine import LONGEST_SILENCE_S, Engine
from watchd.gathering import Gathering
from watchd.own_rules import Fault


def engine() -> Engine:
    """One as `watchd run` has it."""
    return Engine(CONFIG, RULES, tells_samples=True, tells_trends=True)


def goes_on(engine: Engine, message: Message, chance: random.Random) -> None:
    """A message comes, and now and then something else."""
    at, topic, payload, retained = message
    engine.feed(topic, payload, at, retained)
    kind = chance.random()
    if kind < 0.2:
        engine.tick(at + chance.choice([0.5, 5.0, 100.0]))
    elif kind < 0.3:
        standing = [a.key for a in engine.alarms() if a.state is not State.NORMAL]
        if standing:
            do = chance.choice(["acknowledge", "shelve", "out_of_service", "in_service", "reset"])
            asked(engine, at, {"do": do, "alarm": chance.choice(standing)})
    elif kind < 0.36:
        engine.step_clock(chance.choice([-3.0, 7.0]))
    elif kind < 0.38:
        engine.fault(Fault.STORE, chance.choice(["no room", None]), at)
    elif kind < 0.40:
        engine.digest(Period.DAILY, {"title": "x"}, at)


def asked(engine: Engine, at: float, request: dict[str, Any]) -> None:
    engine.feed("watchd/request", json.dumps(request).encode(), at, reply_to="phone/answer")


def plain(state: dict[str, Any]) -> Any:
    return json.loads(json.dumps(state))


def is_of_its_moment(seed: int, begun_after: int, pace: int) -> None:
    one, chance = engine(), random.Random(seed)
    gathering: Gathering | None = None
    expected = None
    for number, message in enumerate(messages(seed, 160)):
        if number == begun_after:
            expected = plain(one.snapshot())
            gathering = one.gather()
        goes_on(one, message, chance)
        if gathering is not None and number % pace == 0:
            gathering.step()
    if gathering is not None:
        assert plain(gathering.whole()) == expected


COURSES = {
    "seed": st.integers(0, 10_000),
    "begun_after": st.integers(1, 120),
    "pace": st.integers(1, 30),
}


@settings(max_examples=8, deadline=None, derandomize=True)
@given(**COURSES)
def test_what_comes_meanwhile_is_not_in_it(seed: int, begun_after: int, pace: int) -> None:
    is_of_its_moment(seed, begun_after, pace)


@pytest.mark.long
@settings(max_examples=150, deadline=None)
@given(**COURSES)
def test_what_comes_in_many_courses_is_not_in_it(seed: int, begun_after: int, pace: int) -> None:
    is_of_its_moment(seed, begun_after, pace)


def fed(number: int = 40) -> Engine:
    one = engine()
    for at, topic, payload, retained in messages(1, number):
        one.feed(topic, payload, at, retained)
    return one


def test_one_bank_a_step() -> None:
    gathering = fed().gather()
    assert not gathering.is_whole
    assert gathering.step()
    assert gathering.step()
    assert not gathering.step()
    assert gathering.is_whole


def test_a_second_one_leaves_the_first_as_it_was() -> None:
    one = fed()
    expected = plain(one.snapshot())
    first = one.gather()
    one.feed("site/alder/amps", b"12.5", one.snapshot()["at"])
    second = one.gather()
    now = plain(one.snapshot())
    one.tick(now["at"] + 300.0)
    assert plain(first.whole()) == expected
    assert plain(second.whole()) == now != expected


def test_a_silence_of_days_is_after_it() -> None:
    one = fed()
    expected = plain(one.snapshot())
    gathering = one.gather()
    one.tick(expected["at"] + LONGEST_SILENCE_S + 86400.0)
    assert plain(gathering.whole()) == expected != plain(one.snapshot())


def test_a_step_of_a_re_anchoring_is_after_it() -> None:
    """All else of a pack changes with its telemetry or with time, this by a request alone."""
    hut = low_at_full()
    expected = plain(hut.engine.snapshot())
    gathering = hut.engine.gather()
    hut.begin()
    assert plain(gathering.whole()) == expected != plain(hut.engine.snapshot())


def test_before_the_first_message_it_is_the_saved_one() -> None:
    assert Engine(CONFIG, RULES).gather().whole() == {}
    saved = fed().snapshot()
    assert Engine(CONFIG, RULES, state=saved).gather().whole() == saved


def test_what_cannot_be_taken_is_raised_to_who_saves_and_watched_yet() -> None:
    def fails(_: object) -> object:
        raise ValueError("not to be written")

    one = fed()
    begun = False

    def each(of_one: object) -> object:
        return fails(of_one) if begun else of_one

    gathering = one.gather(each)
    begun = True
    at = START + 5000.0
    one.tick(at)
    one.feed("site/alder/amps", b"12.5", at + 1)
    assert one.figures()["pack/alder"]["current_a"] == 12.5
    with pytest.raises(ValueError, match="not to be written"):
        gathering.whole()
    with pytest.raises(ValueError, match="not to be written"):
        gathering.step()
