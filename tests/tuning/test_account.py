"""The account: how often, how long, how well behaved, and what people were told."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.tuning.happenings import (
    ALDER,
    BIRCH,
    DAY,
    HOT,
    HOUR,
    MINUTE,
    SPREAD,
    START,
    TRIAL,
    happened,
    in_time,
    stood,
)
from watchd.alarms.state import Event, Told, Transition
from watchd.tuning.account import Account, Load, Tally, by_kind, per_day


def account_of(transitions: Iterable[Transition]) -> Account:
    account = Account(START)
    for transition in transitions:
        account.take(transition)
    return account


def tally_of(transitions: Iterable[Transition], until: float = 30 * DAY) -> Tally:
    return account_of(transitions).tallies(START + until)[SPREAD.name]


def test_times_run_from_raise_to_return_on_all_subjects_together() -> None:
    story = in_time(
        stood((HOUR, 2 * HOUR), (DAY, DAY + 10 * MINUTE)),
        stood((1.5 * HOUR, 2 * HOUR), subject=BIRCH),
    )
    assert tally_of(story) == Tally(raised=3, told=3, in_alarm_s=6000.0, longest_s=3600.0)


def test_what_still_stands_counts_until_the_end_and_goes_on_after() -> None:
    account = account_of(stood((HOUR, None)))
    early, late = (account.tallies(START + h * HOUR)[SPREAD.name] for h in (2, 3))
    assert (early.raised, early.in_alarm_s, early.standing) == (1, 3600.0, 1)
    assert (late.raised, late.in_alarm_s, late.longest_s, late.standing) == (1, 7200.0, 7200.0, 1)


def test_what_returns_without_a_raise_stood_since_before() -> None:
    tally = tally_of([happened(20.0, Event.RETURNED)])
    assert tally == Tally(raised=0, in_alarm_s=20.0, longest_s=20.0)


@pytest.mark.parametrize(
    ("lasting_s", "fleeting", "stale"),
    [(1.0, 1, 0), (60.0, 1, 0), (61.0, 0, 0), (DAY - 1, 0, 0), (DAY, 0, 1), (3 * DAY, 0, 1)],
)
def test_fleeting_is_gone_within_a_minute_and_stale_stands_a_day(
    lasting_s: float, fleeting: int, stale: int
) -> None:
    tally = tally_of(stood((0.0, lasting_s)))
    assert (tally.fleeting, tally.stale) == (fleeting, stale)


def test_what_began_just_now_is_not_fleeting_yet() -> None:
    assert tally_of(stood((0.0, None)), until=5.0).fleeting == 0


def test_chattering_is_what_the_life_cycle_calls_so() -> None:
    spans = [(t, t + 5.0) for t in (0.0, 10.0, 20.0)]
    tally = tally_of(in_time(stood(*spans), [happened(20.0, Event.CHATTERING, told=Told.YES)]))
    assert (tally.raised, tally.chattering, tally.told) == (3, 1, 4)


def test_telling_again_is_counted_as_told_and_not_as_raised() -> None:
    again = [happened(h * HOUR, Event.RE_ALARMED, told=Told.YES) for h in (8, 16)]
    tally = tally_of(in_time(stood((0.0, DAY)), again))
    assert (tally.raised, tally.told) == (1, 3)


@pytest.mark.parametrize("told", [Told.SILENT, Told.WITHHELD, Told.CHATTERING, Told.FLOOD])
def test_what_nobody_was_told_is_no_load(told: Told) -> None:
    account = account_of([happened(0.0, Event.RAISED, told=told)])
    assert account.load() == Load(0, 0, 0)
    assert account.tallies(START + 1.0)[SPREAD.name].raised == 1


def test_the_load_is_that_of_all_rules_together() -> None:
    story = in_time(
        stood((0.0, 5.0), (500.0, 505.0)), stood((300.0, 400.0), (4000.0, 4100.0), rule=HOT)
    )
    load = account_of(story).load()
    assert load == Load(told=4, in_10_min=3, in_an_hour=3)
    assert not load.is_bearable()  # a manned desk takes 2 in 10 min
    assert account_of(stood((0.0, 5.0), (500.0, 505.0))).load().is_bearable()


def test_a_span_is_open_at_its_end() -> None:
    assert account_of(stood((0.0, 5.0), (600.0, 605.0))).load().in_10_min == 1
    assert account_of(stood((0.0, 5.0), (599.9, 605.0))).load().in_10_min == 2


def test_silent_rules_stand_apart_and_rules_never_raised_as_well() -> None:
    tallies = account_of(in_time(stood((0.0, 9.0)), stood((1.0, 9.0), rule=TRIAL))).tallies(START)
    assert by_kind([HOT, TRIAL, SPREAD], tallies) == ([SPREAD], [TRIAL], [HOT])


def test_a_rate_is_withheld_for_less_than_a_day() -> None:
    assert per_day(3, 30 * DAY) == pytest.approx(0.1)
    assert per_day(3, DAY - 1) is None


spans = st.lists(st.floats(0.1, 3 * DAY), max_size=30)


@given(spans, spans, st.booleans())
def test_the_account_is_that_of_a_plain_re_count(
    one: list[float], other: list[float], still: bool
) -> None:
    intervals = []
    for subject, lengths in ((ALDER, one), (BIRCH, other)):
        moments, at = [], 0.0
        for length in lengths:
            at += length
            moments.append(at)
        pairs: list[tuple[float, float | None]] = list(
            zip(moments[0::2], moments[1::2], strict=False)
        )
        if len(moments) % 2 and still:
            pairs.append((moments[-1], None))
        intervals.append((subject, pairs))
    story = in_time(*(stood(*pairs, subject=subject) for subject, pairs in intervals))
    until = 100 * DAY
    account = account_of(story)
    found = account.tallies(START + until).get(SPREAD.name, Tally())
    whole = [(b, until if e is None else e) for _, pairs in intervals for b, e in pairs]
    ended = [e - b for _, pairs in intervals for b, e in pairs if e is not None]
    assert found.raised == len(whole)
    assert found.in_alarm_s == pytest.approx(sum(e - b for b, e in whole), abs=1e-3)
    assert found.longest_s == pytest.approx(max((e - b for b, e in whole), default=0.0), abs=1e-3)
    # Near a limit the last digit of the time decides; those cases have their own table.
    near = any(min(abs(s - MINUTE), abs(s - DAY)) < 1e-3 for s in ended)
    if not near:
        assert found.fleeting == sum(s <= MINUTE for s in ended)
        assert found.stale == sum(e - b >= DAY for b, e in whole)
    begins = sorted(START + b for b, _ in whole)
    load = account.load()
    assert load.told == len(begins)
    for most, span_s in ((load.in_10_min, 600.0), (load.in_an_hour, 3600.0)):
        counted = (sum(0 <= b - a < span_s for b in begins) for a in begins)
        assert most == max(counted, default=0)
