"""What goes to the phone now, what later, and what in one message."""

from __future__ import annotations

import pytest

from tests.phone.builders import setting, utc, waits
from watchd.phone.notice import Kind, Waiting
from watchd.phone.plan import Hold, Send, Setting, decide

NOON = utc("2026-06-21 12:00")
NIGHT = utc("2026-06-21 23:00")
MORNING = utc("2026-06-22 07:00")
DAILY = utc("2026-06-22 07:30")


def send(*these: Waiting) -> Send:
    return Send(these)


def test_nothing_waits() -> None:
    assert decide([], [], NOON, setting()) == Hold(None)


def test_by_day_it_goes_at_once() -> None:
    one = waits("medium", since=NOON)
    assert decide([one], [], NOON, setting()) == send(one)


@pytest.mark.parametrize(
    ("priority", "wait", "until"),
    [
        ("critical", ("high", "medium", "low"), None),
        ("high", ("medium", "low"), None),
        ("high", ("high", "medium", "low"), MORNING),
        ("medium", ("medium", "low"), MORNING),
        ("low", ("medium", "low"), DAILY),
    ],
)
def test_in_quiet_hours(priority: str, wait: tuple[str, ...], until: float | None) -> None:
    one = waits(priority, since=NIGHT)
    wants = setting(wait=wait)
    expected: Send | Hold = send(one) if until is None else Hold(until)
    assert decide([one], [], NIGHT, wants) == expected
    if until is not None:
        assert isinstance(decide([one], [], until - 1, wants), Hold)
        assert decide([one], [], until, wants) == send(one)


def test_what_waited_for_the_morning_comes_in_one_message_in_the_order_of_time() -> None:
    first, second = waits("medium", since=NIGHT), waits("medium", since=NIGHT + 3600)
    assert decide([second, first], [], MORNING, setting()) == send(first, second)


def test_two_that_come_together_come_one_by_one() -> None:
    medium, high = waits("medium", since=NOON), waits("high", since=NOON + 30)
    assert decide([medium, high], [], NOON + 60, setting()) == send(high)


def test_critical_goes_alone_and_first() -> None:
    others = [waits("high", since=NOON - 3600) for _ in range(3)]
    critical = waits("critical", since=NOON)
    full = [NOON - 60.0] * 10
    assert decide([*others, critical], full, NOON, setting()) == send(critical)


def test_the_hour_is_full_and_then_the_rest_comes_in_one() -> None:
    sent = [NOON - 3000 + 100 * n for n in range(10)]
    some = [waits("high", since=NOON - 100 * n) for n in range(5)]
    assert decide(some, sent, NOON, setting()) == Hold(sent[0] + 3600)
    then = decide(some, sent, sent[0] + 3600, setting())
    assert isinstance(then, Send)
    assert len(then.these) == 5


def test_a_clock_that_was_set_back_leaves_no_full_hour() -> None:
    one = waits("high", since=NOON)
    assert decide([one], [NOON + 86_400.0] * 20, NOON, setting()) == send(one)


def test_low_waits_for_the_daily_message() -> None:
    one = waits("low", since=utc("2026-06-21 07:30"))
    assert decide([one], [], NOON, setting()) == Hold(DAILY)
    assert decide([one], [], DAILY, setting()) == send(one)
    assert decide([one], [], NOON, setting(gathered=())) == send(one)


def test_the_daily_message_waits_for_quiet_hours_to_end() -> None:
    one = waits("low", since=NOON)
    late = setting(("22:00", "09:00"))
    assert decide([one], [], NOON, late) == Hold(utc("2026-06-22 09:00"))


def test_a_digest_is_no_part_of_another_message() -> None:
    old = [waits("high", since=NOON - 900), waits("medium", since=NOON - 800)]
    digest = waits("low", since=NOON - 1000, kind=Kind.DIGEST, alarm=None)
    assert decide([digest, *old], [], NOON, setting()) == send(*old)
    assert decide([digest], [], NOON, setting()) == send(digest)


def test_an_answer_knows_no_hours() -> None:
    answer = waits("high", since=NIGHT, kind=Kind.ANSWER, alarm=None)
    wants = setting(wait=("high", "medium", "low"))
    assert decide([answer], [NIGHT - 1.0] * 50, NIGHT, wants) == send(answer)


def test_one_that_is_refused_again_and_again_lets_others_pass() -> None:
    refused = waits("critical", since=NOON, tries=4)
    other = waits("critical", since=NOON + 10)
    assert decide([refused, other], [], NOON + 60, setting()) == send(other)
    assert decide([refused], [], NOON + 60, setting()) == send(refused)


def test_a_message_of_all_that_is_refused_is_tried_one_by_one() -> None:
    some = [waits("high", since=NOON - 900, tries=4) for _ in range(2)]
    assert decide(some, [], NOON, setting()) == send(some[0])


def test_a_thousand_that_wait_are_decided_on_quickly() -> None:
    """What is looked up in the zone is so for two moments, however many wait."""

    class Counting(type(setting().quiet)):  # type: ignore[misc] # a class of today's
        calls = 0

        def holds(self, at: float) -> bool:
            Counting.calls += 1
            return bool(super().holds(at))

    wants = setting()
    quiet = Counting(wants.quiet.begin, wants.quiet.end, wants.quiet.zone)
    counted = Setting(quiet, wants.wait_in_quiet, wants.gathered, wants.gather_at, 10)
    decide([waits("low", since=NIGHT) for _ in range(1000)], [], NIGHT, counted)
    assert Counting.calls < 3000
