"""What a person answers from the phone, in plain text: `12`, `ack 12`, `shelve 12 8 h`, `what`."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

from watchd.durations import LONGEST_S, SECONDS, show_duration

LONGEST = 200
EXAMPLES = "write such as: ack 12, shelve 12 8 h, unshelve 12, why 12, what"
MOST_SHOWN = 20


class ReplyError(Exception):
    """A reply that is not understood; the text is the answer, in one line."""


class Do(StrEnum):
    """What can be answered; the words are those of requests, but for `what`."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    WHY = "why"
    WHAT = "what"
    HELP = "help"


@dataclass(frozen=True, slots=True)
class Reply:
    """What was answered; `number` of the message that it is about."""

    do: Do
    number: int | None = None
    for_s: float | None = None

    @property
    def is_question(self) -> bool:
        """Whether it changes nothing, and wants an answer."""
        return self.do in (Do.WHAT, Do.WHY, Do.HELP)


_WORDS = {
    **dict.fromkeys(("ack", "acknowledge", "acknowledged", "ok", "okay", "yes"), Do.ACKNOWLEDGE),
    **dict.fromkeys(("shelve", "shelf", "later"), Do.SHELVE),
    **dict.fromkeys(("unshelve",), Do.UNSHELVE),
    **dict.fromkeys(("reset",), Do.RESET),
    **dict.fromkeys(("why",), Do.WHY),
    **dict.fromkeys(("what", "list", "status"), Do.WHAT),
    **dict.fromkeys(("help",), Do.HELP),
}
_UNITS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("m", "min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("d", "day", "days"), "d"),
}
_FILLERS = frozenset({"no", "nr", "number", "for", "please", "stands", "alarm", "watchd"})
_TOKEN = re.compile(r"\d+(?:[.,]\d+)?|[a-z]+|\?|\S")
_IGNORED = frozenset(".,:;!#-")


def parse_reply(payload: bytes) -> Reply:
    """Raises ReplyError. Order, case, `No` and `#` before a number do not matter."""
    try:
        text = payload.decode("utf-8").strip().lower()
    except UnicodeDecodeError:
        raise ReplyError(f"this is not text; {EXAMPLES}") from None
    if len(text) > LONGEST:
        raise ReplyError(f"this is longer than {LONGEST} letters; {EXAMPLES}")
    if text in ("", "?"):
        return Reply(Do.WHAT if text else Do.HELP)
    tokens = [t for t in _TOKEN.findall(text) if t not in _FILLERS and t not in _IGNORED]
    for_s, rest = _take_duration(tokens)
    numbers = [t for t in rest if t.isascii() and t.isdigit()]
    words = [t for t in rest if t not in numbers and t != "?"]
    do = _one_word(words, text)
    if do is None:
        if not numbers:
            raise ReplyError(f"'{_shown(text)}' is not understood; {EXAMPLES}")
        do = Do.ACKNOWLEDGE if for_s is None else Do.SHELVE
    return _checked(do, numbers, for_s, text)


def _checked(do: Do, numbers: list[str], for_s: float | None, text: str) -> Reply:
    if do in (Do.WHAT, Do.HELP):
        return Reply(do)
    if len(numbers) != 1 or len(numbers[0]) > 6:
        many = "one number at a time" if len(numbers) > 1 else "say the number of the message"
        raise ReplyError(f"'{_shown(text)}': {many}; {EXAMPLES}")
    number = int(numbers[0])
    if do is Do.SHELVE and not for_s:
        raise ReplyError(f"say for how long, such as: shelve {number} 8 h")
    if do is not Do.SHELVE and for_s is not None:
        raise ReplyError(f"'{_shown(text)}': a time goes with shelve only; {EXAMPLES}")
    return Reply(do, number, for_s)


def _take_duration(tokens: list[str]) -> tuple[float | None, list[str]]:
    """A number with a unit behind it, and what is left."""
    for place, (first, second) in enumerate(pairwise(tokens)):
        if first[0].isdigit() and second in _UNITS:
            try:
                seconds = float(first.replace(",", ".")) * SECONDS[_UNITS[second]]
            except ValueError:
                continue
            if seconds > LONGEST_S:
                raise ReplyError("that is longer than ten years")
            return seconds, [*tokens[:place], *tokens[place + 2 :]]
    return None, tokens


def _one_word(words: list[str], text: str) -> Do | None:
    unknown = [w for w in words if w not in _WORDS]
    if unknown:
        raise ReplyError(f"'{_shown(unknown[0])}' is not understood; {EXAMPLES}")
    meant = {_WORDS[w] for w in words}
    if len(meant) > 1:
        raise ReplyError(f"'{_shown(text)}' asks for two things; {EXAMPLES}")
    return next(iter(meant), None)


def _shown(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)[:40]


def request_of(reply: Reply, alarm: str | None) -> dict[str, Any]:
    """The request that watchd understands."""
    if reply.do is Do.WHAT:
        return {"do": "list"}
    request: dict[str, Any] = {"do": str(reply.do), "alarm": alarm}
    if reply.for_s is not None:
        request["for"] = f"{reply.for_s:.0f} s"
    return request


def outcome(reply: Reply, alarm: str, answer: Mapping[str, Any]) -> tuple[bool, str]:
    """Whether it was done, and a line that says so."""
    if answer.get("ok") is not True:
        return False, f"No {reply.number} ({alarm}): {_line(answer.get('error')) or 'refused'}"
    if reply.do is Do.WHY:
        return True, f"No {reply.number} ({alarm}): {_why(answer)}"
    done = {
        Do.ACKNOWLEDGE: "acknowledged",
        Do.SHELVE: f"shelved for {show_duration(reply.for_s or 0.0)}",
        Do.UNSHELVE: "off the shelf",
        Do.RESET: "reset",
    }
    return True, f"No {reply.number} ({alarm}): {done[reply.do]}"


def what_stands(answer: Mapping[str, Any], number_of: Callable[[str], int]) -> tuple[bool, str]:
    """The answer to `what`: a line for each alarm that is not normal."""
    alarms = answer.get("alarms")
    if answer.get("ok") is not True or not isinstance(alarms, Sequence):
        return False, _line(answer.get("error")) or "watchd does not say what stands"
    lines = []
    for record in alarms[:MOST_SHOWN]:
        name = f"{record.get('rule')}/{record.get('subject')}"
        state = str(record.get("state")).replace("_", " ")
        text = _line(record.get("text"))
        lines.append(f"No {number_of(name)} {name}: {record.get('priority')}, {state}. {text}")
    if len(alarms) > MOST_SHOWN:
        lines.append(f"... and {len(alarms) - MOST_SHOWN} more")
    return True, "\n".join(lines) or "Nothing stands: every alarm is normal."


def _why(answer: Mapping[str, Any]) -> str:
    why = answer.get("why")
    record = why if isinstance(why, Mapping) else answer
    text = " ".join(_line(record.get(k)) for k in ("text", "cause", "response"))
    return " ".join(text.split()) or "watchd says nothing of it"


def _line(value: object) -> str:
    return " ".join(value.split())[:500] if isinstance(value, str) else ""
