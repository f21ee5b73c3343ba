"""What people may ask of watchd on its request topic, and how it answers."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from pydantic import Field, ValidationError, model_validator

from watchd.advice.reanchoring.states import Way
from watchd.errors import nearest
from watchd.publish import Publish, encode
from watchd.schema import Duration, PartError, Section
from watchd.telemetry.topics import topic_fault

LONGEST = 4096
MOST_ENTRIES = 1000
LONGEST_ANSWER_TOPIC = 1000  # bytes


class Do(StrEnum):
    """What can be asked."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"
    LIST = "list"
    WHY = "why"
    HISTORY = "history"
    AUDIT = "audit"
    REANCHOR = "reanchor"


class ReanchorDo(StrEnum):
    """What can be asked of a re-anchoring."""

    LOOK = "look"
    BEGIN = "begin"
    SET = "set"
    RESTORED = "restored"
    CANCEL = "cancel"


WITHOUT_ALARM = (Do.LIST, Do.HISTORY, Do.AUDIT, Do.REANCHOR)


class RequestError(Exception):
    """A request that is not done; the text is the answer."""


class RequestEntry(Section):
    """The payload of a request."""

    do: Do = Field(description="what to do", strict=False)
    alarm: str | None = Field(
        None, max_length=200, description="RULE/SUBJECT, such as cell-weak/pack/alder"
    )
    for_: Duration | None = Field(None, alias="for", gt=0, description="shelve: for how long")
    until_cleared: bool = Field(False, description="shelve: until it has returned the next time")
    since: Duration | None = Field(None, gt=0, description="history: how far back")
    all_: bool = Field(False, alias="all", description="list: those that are normal as well")
    pack: str | None = Field(None, max_length=40, description="audit, reanchor: the pack")
    step: ReanchorDo = Field(ReanchorDo.LOOK, description="reanchor: what of it", strict=False)
    way: Way | None = Field(
        None, description="reanchor, begin: the way; default: the mildest open", strict=False
    )
    value_v: float | None = Field(
        None, ge=1.5, le=4.5, description="reanchor, set: what was set, in V a cell"
    )
    yes: bool = Field(False, description="reanchor: the warning was read")
    by: str = Field("", max_length=60, description="who asks, for the journal")
    reply_to: str | None = Field(
        None,
        max_length=1000,
        description="topic of the answer below PREFIX/response/, where MQTT 5 does not carry one",
    )

    @model_validator(mode="after")
    def _whole(self) -> RequestEntry:
        if self.do not in WITHOUT_ALARM and self.alarm is None:
            raise ValueError(f"'{self.do}' needs an alarm: RULE/SUBJECT")
        if self.do is Do.REANCHOR and self.pack is None:
            raise PartError("'reanchor' needs a pack", "pack")
        if self.do is Do.SHELVE and (self.for_ is None) is not self.until_cleared:
            raise PartError("to shelve, give 'for' or 'until_cleared'", "for")
        return self


@dataclass(frozen=True, slots=True)
class ReanchorRequest:
    """What is asked of a re-anchoring; volts a cell."""

    pack: str
    step: ReanchorDo
    way: Way | None
    value_v: float | None
    yes: bool
    by: str


@dataclass(frozen=True, slots=True)
class Request:
    """A checked request. Times are seconds."""

    do: Do
    alarm: str
    for_s: float | None
    until_cleared: bool
    since_s: float | None
    whole: bool
    by: str
    pack: str | None
    reanchor: ReanchorRequest | None = None


@dataclass(frozen=True, slots=True)
class JournalQuery:
    """Asks for entries of the journal: of one alarm or all, since a time as the clock showed it.

    The journal is the shell's; it sends `answer` with what it found.
    """

    alarm: str | None
    since: float
    reply_to: str
    correlation: bytes


def parse_request(payload: bytes) -> Request:
    """Raises RequestError with a sentence for who asked."""
    if len(payload) > LONGEST:
        raise RequestError(f"larger than {LONGEST} bytes")
    try:
        entry = RequestEntry.model_validate_json(payload)
    except ValidationError as error:
        raise RequestError(_complaint(error)) from None
    return Request(
        do=entry.do,
        alarm=entry.alarm or "",
        for_s=entry.for_,
        until_cleared=entry.until_cleared,
        since_s=entry.since,
        whole=entry.all_,
        by=entry.by,
        pack=entry.pack,
        reanchor=_reanchor(entry),
    )


def _reanchor(entry: RequestEntry) -> ReanchorRequest | None:
    if entry.do is not Do.REANCHOR or entry.pack is None:
        return None
    return ReanchorRequest(entry.pack, entry.step, entry.way, entry.value_v, entry.yes, entry.by)


def _reply_to_of(payload: bytes) -> str | None:
    """The topic that a request names for its answer, also where the rest of it is wrong."""
    try:
        data = json.loads(payload) if len(payload) <= LONGEST else None
    except (ValueError, RecursionError):
        return None
    topic = data.get("reply_to") if isinstance(data, dict) else None
    return topic if isinstance(topic, str) else None


def _complaint(error: ValidationError) -> str:
    detail = error.errors(include_url=False)[0]
    where = ".".join(str(step) for step in detail["loc"])
    cause = detail.get("ctx", {}).get("error")
    message = str(cause) if cause is not None and detail["type"] == "value_error" else detail["msg"]
    if detail["type"] == "extra_forbidden":
        keys = [field.alias or name for name, field in RequestEntry.model_fields.items()]
        message = f"unknown key; {nearest(where, keys)}"
    elif where == "do" and isinstance(detail["input"], str):
        message = (
            f"'{detail['input'][:40]}' cannot be asked; {nearest(detail['input'][:40], list(Do))}"
        )
    return f"{where}: {message}" if where else message


def find_alarm(name: str, keys: Mapping[str, bool]) -> str:
    """The key that a person means by `name`; `keys` says of each whether it is not normal.

    A part of the key will do where it names one alarm only, or one that is not normal:
    `cell-weak/alder`. Raises RequestError.
    """
    if name in keys:
        return name
    words = [word for word in name.split("/") if word]
    found = [key for key in keys if words and set(words) <= set(key.split("/"))]
    if not found:
        found = [key for key in keys if words and _begin(words, key.split("/"))]
    if len(found) > 1:
        found = [key for key in found if keys[key]] or found
    if len(found) == 1:
        return found[0]
    if found:
        some = ", ".join(found[:5]) + (" ..." if len(found) > 5 else "")
        raise RequestError(f"'{name[:100]}' can be more than one alarm: {some}")
    hint = nearest(name[:100], list(keys), show=5, many="`watchd alarms list --all` lists them")
    raise RequestError(f"no alarm is called '{name[:100]}'; {hint}")


def _begin(words: list[str], levels: list[str]) -> bool:
    """Whether each word is the beginning of a level of the key."""
    return all(any(level.startswith(word) for level in levels) for word in words)


def answer_topic(
    reply_to: str | None, payload: bytes, prefix: str, below: Sequence[str] | None = None
) -> str | None:
    """Where the answer may go; None for nowhere.

    That is MQTT 5's response topic, if it is a plain one and none that watchd itself keeps; where
    the config says `below`, only there or below our own `response`. Where there is none, the
    payload may name one, but only below `response`: a request must not make watchd write wherever
    somebody likes.
    """
    own = f"{prefix}/response/"
    if reply_to is None:
        named = _reply_to_of(payload)
        return named if named is not None and named.startswith(own) and _is_plain(named) else None
    if reply_to.startswith(own):
        allowed = True
    elif below is None:
        allowed = reply_to != prefix and not reply_to.startswith(f"{prefix}/")
    else:
        kept = reply_to.startswith(f"{prefix}/")
        allowed = not kept and any(reply_to.startswith(f"{b.rstrip('/')}/") for b in below)
    return reply_to if allowed and _is_plain(reply_to) else None


def _is_plain(topic: str) -> bool:
    fault = topic_fault(topic, LONGEST_ANSWER_TOPIC)
    return fault is None and not any(c in topic for c in "+#")


def answer(topic: str, data: Mapping[str, Any], correlation: bytes) -> Publish:
    """The answer to a request."""
    return Publish(topic, encode(data), qos=1, correlation=correlation)
