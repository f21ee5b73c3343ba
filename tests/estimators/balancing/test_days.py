"""What is kept of a month of days, as bare numbers."""

from __future__ import annotations

from watchd.estimators.balancing.days import KEPT, Day, packed, unpacked


def day(no: int, imbalance_ah: float | None = None, *, steep: bool = True) -> Day:
    return Day(86400.0 * no, 86400.0 * no + 600.5, 12.25, imbalance_ah, steep, 1.5, 0.25, 24.0)


def test_days_come_back_as_they_were() -> None:
    days = [day(1), day(2, 0.75, steep=False), day(3, 0.0)]
    assert unpacked(packed(days)) == days
    assert [d.steep for d in unpacked(packed(days))] == [True, False, True]


def test_the_oldest_are_left_out() -> None:
    days = [day(no) for no in range(KEPT + 3)]
    assert unpacked(packed(days)) == days[3:]


def test_none_are_none() -> None:
    assert unpacked(packed([])) == []
