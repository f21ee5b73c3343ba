"""What a change of rules adds, removes and moves."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.tuning.happenings import BIRCH, HOT, START, in_time, stood
from watchd.alarms.state import Transition
from watchd.tuning.difference import Occurrence, Occurrences, Pair, difference

Span = tuple[float, float | None]


def occurrences(transitions: list[Transition]) -> list[Occurrence]:
    found = Occurrences()
    for transition in transitions:
        found.take(transition)
    return found.all()


def of(*spans: Span) -> list[Occurrence]:
    return occurrences(stood(*spans))


def changes(before: list[Occurrence], after: list[Occurrence]) -> list[str]:
    return [pair.change for pair in difference(before, after)]


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ([], [], []),
        ([(10, 20)], [(10, 20)], ["same"]),
        ([(10, None)], [(10, None)], ["same"]),
        ([], [(10, 20)], ["added"]),
        ([(10, 20)], [], ["removed"]),
        ([(10, 20)], [(12, 20)], ["moved"]),
        ([(10, 20)], [(10, 25)], ["moved"]),
        ([(10, 20)], [(10, None)], ["moved"]),
        ([(10, 20)], [(20, 25)], ["moved"]),
        ([(10, 20)], [(21, 25)], ["removed", "added"]),
        # One that goes on without a break where there were two.
        ([(10, 20), (30, 40)], [(10, 40)], ["moved", "removed"]),
        ([(10, 40)], [(10, 20), (30, 40)], ["moved", "added"]),
        ([(10, 20), (30, 40)], [(15, 35)], ["moved", "removed"]),
        # The first overlaps one only, so it must not take the other's.
        ([(10, 30), (32, 50)], [(5, 12), (28, 40)], ["moved", "moved"]),
    ],
)
def test_occurrences_are_the_same_where_they_overlap(
    before: list[Span], after: list[Span], expected: list[str]
) -> None:
    assert changes(of(*before), of(*after)) == expected


def test_by_how_much_it_moved() -> None:
    (pair,) = difference(of((100, 400)), of((220, 460)))
    assert (pair.later_s, pair.longer_s(START + 1000)) == (120.0, -60.0)
    (pair,) = difference(of((100, None)), of((90, 150)))
    assert (pair.later_s, pair.longer_s(START + 200)) == (-10.0, -40.0)


def test_another_rule_or_subject_is_another_occurrence() -> None:
    before = occurrences(stood((10, 20)))
    other_rule = occurrences(stood((10, 20), rule=HOT))
    other_pack = occurrences(stood((10, 20), subject=BIRCH))
    assert changes(before, other_rule) == ["removed", "added"]
    assert changes(before, other_pack) == ["removed", "added"]


def spans_from(steps: list[int], still: bool) -> list[Span]:
    moments, at = [], 0
    for step in steps:
        at += step
        moments.append(at)
    found: list[Span] = [(b, e) for b, e in zip(moments[0::2], moments[1::2], strict=False)]
    if len(moments) % 2 and still:
        found.append((moments[-1], None))
    return found


stories = st.builds(spans_from, st.lists(st.integers(1, 9), max_size=12), st.booleans())


@given(stories, stories)
def test_rules_against_themselves_differ_in_nothing(one: list[Span], other: list[Span]) -> None:
    both = occurrences(in_time(stood(*one), stood(*other, subject=BIRCH)))
    assert set(changes(both, both)) <= {"same"}


@given(stories, stories)
def test_every_occurrence_of_both_sides_is_in_exactly_one_pair(
    one: list[Span], other: list[Span]
) -> None:
    before, after = of(*one), of(*other)
    pairs = difference(before, after)
    assert sorted(p.before.raised_at for p in pairs if p.before) == [o.raised_at for o in before]
    assert sorted(p.after.raised_at for p in pairs if p.after) == [o.raised_at for o in after]
    for pair in pairs:
        if pair.before and pair.after:
            assert overlap(pair.before, pair.after)


@given(stories, stories)
def test_the_other_way_round_what_was_added_is_removed(one: list[Span], other: list[Span]) -> None:
    there, back = Counter(changes(of(*one), of(*other))), Counter(changes(of(*other), of(*one)))
    turned = {"added": "removed", "removed": "added"}
    assert there == Counter({turned.get(k, k): n for k, n in back.items()})


def overlap(one: Occurrence, other: Occurrence) -> bool:
    return one.raised_at <= other.end_at() and other.raised_at <= one.end_at()


def most_pairs(before: list[Occurrence], after: list[Occurrence]) -> int:
    """The largest number of pairs, by trying augmenting paths (Kuhn)."""
    taken: dict[int, int] = {}

    def place(i: int, seen: set[int]) -> bool:
        for j, other in enumerate(after):
            if overlap(before[i], other) and j not in seen:
                seen.add(j)
                if j not in taken or place(taken[j], seen):
                    taken[j] = i
                    return True
        return False

    return sum(place(i, set()) for i in range(len(before)))


@given(stories, stories)
def test_no_other_matching_leaves_fewer_added_and_removed(
    one: list[Span], other: list[Span]
) -> None:
    before, after = of(*one), of(*other)
    matched = sum(p.before is not None and p.after is not None for p in difference(before, after))
    assert matched == most_pairs(before, after)


def test_a_pair_without_a_side_is_none() -> None:
    with pytest.raises(ValueError, match="a pair has a side"):
        _ = Pair(None, None).either
