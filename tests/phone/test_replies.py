"""What a person may answer, and how it is read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.phone.replies import (
    Do,
    Reply,
    ReplyError,
    outcome,
    parse_reply,
    request_of,
    what_stands,
)

KEY = "cell-high/pack/alder"


@pytest.mark.parametrize(
    ("text", "reply"),
    [
        ("12", Reply(Do.ACKNOWLEDGE, 12)),
        ("#12", Reply(Do.ACKNOWLEDGE, 12)),
        ("No 12", Reply(Do.ACKNOWLEDGE, 12)),
        ("no. 12!", Reply(Do.ACKNOWLEDGE, 12)),
        ("ack 12", Reply(Do.ACKNOWLEDGE, 12)),
        ("OK 12", Reply(Do.ACKNOWLEDGE, 12)),
        (" 12 Ack\n", Reply(Do.ACKNOWLEDGE, 12)),
        ("shelve 12 8 h", Reply(Do.SHELVE, 12, 28_800)),
        ("12 shelve 8h", Reply(Do.SHELVE, 12, 28_800)),
        ("shelve no 12 for 90 minutes please", Reply(Do.SHELVE, 12, 5400)),
        ("8h shelve 12", Reply(Do.SHELVE, 12, 28_800)),
        ("12 2 d", Reply(Do.SHELVE, 12, 172_800)),
        ("shelve 12 1,5 h", Reply(Do.SHELVE, 12, 5400)),
        ("unshelve 12", Reply(Do.UNSHELVE, 12)),
        ("reset 12", Reply(Do.RESET, 12)),
        ("why 12?", Reply(Do.WHY, 12)),
        ("what", Reply(Do.WHAT)),
        ("What stands?", Reply(Do.WHAT)),
        ("?", Reply(Do.WHAT)),
        ("help", Reply(Do.HELP)),
        ("", Reply(Do.HELP)),
    ],
)
def test_a_reply(text: str, reply: Reply) -> None:
    assert parse_reply(text.encode()) == reply


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"hello", "'hello' is not understood; write such as: ack 12"),
        (b"ack", "say the number of the message"),
        (b"ack 12 13", "one number at a time"),
        (b"ack 12 shelve", "asks for two things"),
        (b"shelve 12", "say for how long, such as: shelve 12 8 h"),
        (b"shelve 12 0 h", "say for how long"),
        (b"ack 12 8 h", "a time goes with shelve only"),
        (b"shelve 12 99999999 d", "longer than ten years"),
        (b"12345678", "the number of the message"),
        (b"\xff\xfe", "this is not text"),
        (b"x" * 500, "longer than 200 letters"),
        ("ack ١٢".encode(), "is not understood"),
    ],
)
def test_what_is_not_understood_is_told_in_one_line(text: bytes, says: str) -> None:
    with pytest.raises(ReplyError) as error:
        parse_reply(text)
    assert says in str(error.value)
    assert "\n" not in str(error.value)


_WORDS = st.sampled_from(
    ["ack", "shelve", "unshelve", "what", "why", "no", "#", "12", "8", "h", "8h", "1.5", "min", "?"]
)


@given(st.lists(_WORDS | st.text(max_size=4), max_size=7).map(" ".join) | st.binary())
def test_anything_is_a_reply_or_a_line(text: str | bytes) -> None:
    raw = text if isinstance(text, bytes) else text.encode("utf-8", "replace")
    reply, said = None, ""
    try:
        reply = parse_reply(raw)
    except ReplyError as error:
        said = str(error)
    if reply is None:
        assert said
        assert said.isprintable()
        return
    assert (reply.number is None) is (reply.do in (Do.WHAT, Do.HELP))
    assert (reply.for_s is not None) is (reply.do is Do.SHELVE)


@given(
    st.integers(1, 999),
    st.integers(1, 99),
    st.sampled_from(["h", "min", "d", "hours", "minutes", "H"]),
    st.permutations(["shelve", "number", "time"]),
    st.sampled_from(["{}", "#{}", "No {}", "no. {}"]),
    st.sampled_from(["", " "]),
)
def test_shelve_in_any_order(
    number: int, long: int, unit: str, order: list[str], form: str, gap: str
) -> None:
    parts = {"shelve": "Shelve", "number": form.format(number), "time": f"{long}{gap}{unit}"}
    reply = parse_reply(" ".join(parts[o] for o in order).encode())
    seconds = {"h": 3600, "m": 60, "d": 86_400}[unit[0].lower()]
    assert reply == Reply(Do.SHELVE, number, long * seconds)


def test_a_request() -> None:
    assert request_of(Reply(Do.SHELVE, 12, 5400), KEY) == {
        "do": "shelve", "alarm": KEY, "for": "5400 s",
    }  # fmt: skip
    assert request_of(Reply(Do.WHAT), None) == {"do": "list"}


def test_an_outcome() -> None:
    done = outcome(Reply(Do.SHELVE, 12, 5400), KEY, {"ok": True})
    assert done == (True, f"No 12 ({KEY}): shelved for 90 min")
    refused = outcome(Reply(Do.ACKNOWLEDGE, 12), KEY, {"ok": False, "error": "it is normal"})
    assert refused == (False, f"No 12 ({KEY}): it is normal")


def test_what_stands() -> None:
    record = {"rule": "cell-high", "subject": "pack/alder", "state": "returned_unacknowledged",
              "priority": "high", "text": "alder: cell 7"}  # fmt: skip
    ok, text = what_stands({"ok": True, "alarms": [record] * 25}, lambda _: 7)
    assert ok
    first, *_, last = text.split("\n")
    assert first == "No 7 cell-high/pack/alder: high, returned unacknowledged. alder: cell 7"
    assert last == "... and 5 more"
    assert what_stands({"ok": True, "alarms": []}, lambda _: 7)[1].startswith("Nothing stands")
    assert not what_stands({"ok": False, "error": "no"}, lambda _: 7)[0]
