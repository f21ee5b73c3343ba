"""The keeper's phone: what `watchd bridge` hands on, when, and to where."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, WithJsonSchema, model_validator

from watchd.schema import Duration, PartError, Section
from watchd.telemetry.topics import topic_fault

_TIME_OF_DAY = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
LONGEST_TOPIC = 200


def _time_of_day(value: str) -> str:
    if not _TIME_OF_DAY.fullmatch(value):
        raise ValueError(f"'{value[:40]}' is no time of day; write it in quotes, such as \"07:30\"")
    return value


def _plain_topic(value: str) -> str:
    fault = topic_fault(value, LONGEST_TOPIC)
    if fault is None and any(c in value for c in "+#"):
        fault = "it has a wildcard"
    if fault is not None:
        raise ValueError(f"'{value[:80]}' cannot be a topic: {fault}")
    return value


TimeOfDay = Annotated[
    str,
    AfterValidator(_time_of_day),
    WithJsonSchema({"type": "string", "pattern": f"^{_TIME_OF_DAY.pattern}$"}),
]
PlainTopic = Annotated[
    str,
    AfterValidator(_plain_topic),
    WithJsonSchema({"type": "string", "pattern": r"^[^+#\0]+$"}),
]
# Critical is in no such list: it is handed on at once, at any hour, however many there were.
MayWait = Literal["high", "medium", "low"]


class QuietHours(Section):
    """When the phone is to be quiet, as clocks at the config's `timezone` show it."""

    from_: TimeOfDay = Field(alias="from", description="they begin")
    to: TimeOfDay = Field(description="they end, and what waited is told in one message")

    @model_validator(mode="after")
    def _not_empty(self) -> QuietHours:
        if self.from_ == self.to:
            raise PartError("quiet hours that begin when they end are none; leave them out", "to")
        return self


class Replies(Section):
    """Plain text by which a person answers a message. Who may publish it can silence alarms."""

    enabled: bool = Field(True, description="no: nothing is taken from the reply topic")
    topic: PlainTopic | None = Field(
        None, description="where replies come from; default: PREFIX/reply"
    )
    answer_topic: PlainTopic | None = Field(
        None, description="where the outcome goes; default: PREFIX/reply/answer"
    )
    name: str = Field(
        "phone",
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$",
        description="asks as PREFIX/request/NAME, so the journal says who it was",
    )
    to_phone: Literal["failed", "all", "none"] = Field(
        "failed",
        description="outcomes that the phone is told too: failed (and questions), all, none",
    )

    @model_validator(mode="after")
    def _two_topics(self) -> Replies:
        if self.topic is not None and self.topic == self.answer_topic:
            raise PartError("an answer there would be taken for a reply", "answer_topic")
        return self


class Phone(Section):
    """What `watchd bridge` hands on to a phone."""

    urls_file: str | None = Field(
        None, description="file of where it goes, a secret: one URL a line"
    )
    urls_credential: str | None = Field(
        None, description="name of a service credential that holds the same"
    )
    user: str | None = Field(None, description="user at the broker; default: that of broker")
    password_file: str | None = Field(None, description="file with this user's password")
    password_credential: str | None = Field(
        None, description="or the name of a service credential that holds it"
    )
    queue: str = Field(
        "/var/lib/watchd-bridge/phone.db", min_length=1, description="file of what waits"
    )
    most_waiting: int = Field(
        1000, ge=10, le=100_000, description="beyond it the oldest of the lowest priority goes"
    )
    try_for: Duration = Field(
        7 * 86400.0,
        ge=600,
        description="so long a message is tried; giving it up is said",
    )
    quiet_hours: QuietHours | None = Field(None, description="leave out for none")
    wait_in_quiet_hours: list[MayWait] = Field(
        ["medium", "low"], description="priorities that wait for their end; critical never does"
    )
    gathered: list[MayWait] = Field(
        ["low"], description="priorities that are told once a day, in one message"
    )
    gather_at: TimeOfDay = Field("07:30", description="time of day of that message")
    most_an_hour: int = Field(
        10, ge=1, le=1000, description="messages an hour besides critical; the rest in one later"
    )
    digests: Literal["daily", "weekly", "both", "none"] = Field(
        "daily", description="digests of watchd that are handed on"
    )
    lost_after: Duration = Field(300.0, ge=30, description="watchd not heard for so long is told")
    replies: Replies = Field(Replies(), description="answering from the phone")

    @model_validator(mode="after")
    def _whole(self) -> Phone:
        if self.urls_file is not None and "://" in self.urls_file:
            # The value is not shown: a URL is a secret.
            what = "this is a URL; put it into a file of its own, and give that file's name here"
            raise PartError(what, "urls_file")
        if self.urls_file and self.urls_credential:
            what = "give urls_file or urls_credential, not both"
            raise PartError(what, "urls_credential", at_key=True)
        if not self.urls_file and not self.urls_credential:
            raise ValueError("give urls_file (or urls_credential): where messages are handed on to")
        if self.password_file and self.password_credential:
            what = "give password_file or password_credential, not both"
            raise PartError(what, "password_credential", at_key=True)
        if (self.password_file or self.password_credential) and self.user is None:
            raise ValueError("a password needs a user")
        return self
