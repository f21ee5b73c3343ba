"""What a person reads on the phone."""

from __future__ import annotations

from tests.phone.builders import OSLO, utc, waits
from watchd.phone.notice import Kind, Waiting
from watchd.phone.plan import Send
from watchd.phone.texts import Message, Standing, message_of

NOW = utc("2026-06-22 05:14")  # 07:14 in Oslo
NONE = Standing({})
STANDS = Standing({"cell-high/pack/alder": "unacknowledged"})


def told(*these: Waiting, standing: Standing = STANDS) -> Message:
    return message_of(Send(these), standing, NOW, OSLO)


def test_a_fresh_one_is_as_watchd_says_it_with_its_number() -> None:
    one = waits(since=NOW - 5)
    assert told(one) == Message(
        "alder: cell high",
        f"cell 7 is at 3.480 V\nCharge with less current.\nNo {one.number}",
    )


def test_an_old_one_says_when_it_was_and_whether_it_stands() -> None:
    one = waits(since=NOW - 5 * 3600)
    assert "\n02:14, 5 h ago. It still stands.\n" in told(one).body
    assert "\n02:14, 5 h ago. It no longer stands.\n" in told(one, standing=NONE).body
    assert "\n02:14, 5 h ago.\n" in told(one, standing=Standing(None)).body


def test_one_that_returned_and_waits_to_be_acknowledged_no_longer_stands() -> None:
    returned = Standing({"cell-high/pack/alder": "returned_unacknowledged"})
    assert "It no longer stands." in told(waits(since=NOW - 3600), standing=returned).body


def test_what_waited_is_one_message() -> None:
    first = waits("medium", since=NOW - 5 * 3600)
    again = waits("medium", since=NOW - 3 * 3600)
    gone = waits("medium", since=NOW - 4 * 3600, alarm="warm/pack/birch", title="birch: warm")
    own = waits("medium", since=NOW - 2 * 3600, alarm=None, title="watchd is back", body="",
                kind=Kind.OWN)  # fmt: skip
    assert told(first, gone, again, own) == Message(
        "watchd: 2 to look at, 1 no longer stand",
        f"No {again.number} 04:14 alder: cell high (2 times); still stands; cell 7 is at 3.480 V\n"
        "05:14 watchd is back\n"
        "No longer stand: 1 (birch: warm)",
    )


def test_all_of_it_has_returned() -> None:
    some = [waits(since=NOW - 3600, alarm=f"a/{n}", title=f"title {n}") for n in range(6)]
    message = told(*some, standing=NONE)
    assert message == Message(
        "watchd: 6 told meanwhile, none stands any more",
        "No longer stand: 6 (title 2; title 3; title 4; title 5; ...)",
    )


def test_without_a_link_it_is_not_said_that_anything_returned() -> None:
    message = told(*(waits(since=NOW - 3600, alarm=f"a/{n}") for n in range(2)),
                   standing=Standing(None))  # fmt: skip
    assert message.title == "watchd: 2 to look at"
    assert message.body.count("not known whether it stands") == 2


def test_a_hundred_make_no_endless_message() -> None:
    some = [waits(since=NOW - 9000 + n, alarm=None, body="x" * 4000) for n in range(100)]
    message = told(*some)
    assert message.body.startswith("88 older ones, and:\n")
    assert len(message.body) < 3000
