"""The journal as times that an alarm stood."""

from __future__ import annotations

import pytest

from tests.report.seasons import BEGIN, DAY_S, Made
from watchd.report.occurrences import Occurrence, occurrences_of
from watchd.rules.rule import Priority


def found(
    made: Made, begin: float = 0.0, end: float = 30.0
) -> list[tuple[str, float, float | None]]:
    begin_at, end_at = BEGIN + begin * DAY_S, BEGIN + end * DAY_S

    def day(at: float) -> float:
        return round((at - BEGIN) / DAY_S, 6)

    return [
        (o.alarm, day(o.begin), None if o.end is None else day(o.end))
        for o in occurrences_of(made.journal(0.0, 1e12), begin_at, end_at)
    ]


def test_from_raised_to_returned_in_the_order_of_time() -> None:
    made = Made().alarm("cell-weak", "pack/alder", 3, 2).alarm("cell-weak", "pack/alder", 9, 0.5)
    made.alarm("pack-hot", "pack/birch", 4)
    assert found(made) == [
        ("cell-weak/pack/alder", 3, 5),
        ("pack-hot/pack/birch", 4, None),
        ("cell-weak/pack/alder", 9, 9.5),
    ]


@pytest.mark.parametrize(
    ("raised", "lasts", "expected"),
    [
        (1, 2, []),  # over before the span
        (1, 6, [("cell-weak/pack/alder", 1, 7)]),  # into it
        (1, None, [("cell-weak/pack/alder", 1, None)]),  # before it and still
        (9, 4, [("cell-weak/pack/alder", 9, None)]),  # returns after its end
        (11, 1, []),  # raised after its end
    ],
)
def test_a_span_has_what_stood_in_it(
    raised: float, lasts: float | None, expected: list[tuple[str, float, float | None]]
) -> None:
    made = Made().alarm("cell-weak", "pack/alder", raised, lasts)
    assert found(made, 5, 10) == expected


def test_what_was_raised_before_the_journal_began_stands_from_the_begin() -> None:
    made = Made().alarm("cell-weak", "pack/alder", 1, 6)
    late = [e for e in made.journal(0.0, 1e12) if e["event"] == "returned"]
    (one,) = occurrences_of(late, BEGIN + 5 * DAY_S, BEGIN + 9 * DAY_S)
    assert (one.begin, one.end) == (BEGIN + 5 * DAY_S, BEGIN + 7 * DAY_S)


def test_other_events_end_nothing() -> None:
    made = Made().alarm("cell-weak", "pack/alder", 1, 6)
    entries = list(made.journal(0.0, 1e12))
    acknowledged = {**entries[0], "event": "acknowledged", "at": BEGIN + 2 * DAY_S}
    both = [entries[0], acknowledged, entries[1]]
    (one,) = occurrences_of(both, BEGIN, BEGIN + 9 * DAY_S)  # type: ignore[arg-type]
    assert (one.begin, one.end) == (BEGIN + DAY_S, BEGIN + 7 * DAY_S)


@pytest.mark.parametrize(
    ("subject", "pack"),
    [
        ("pack/alder", "alder"),
        ("cell/alder/7", "alder"),
        ("bank/hut", None),
        ("service/watchd", None),
    ],
)
def test_whose_it_is(subject: str, pack: str | None) -> None:
    one = Occurrence("cell-weak", subject, Priority.LOW, "", 0.0, None)
    assert one.pack == pack
    assert one.is_of_watchd is (subject == "service/watchd")
