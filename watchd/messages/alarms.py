"""Alarms: their records, what a phone shows of them, the journal."""

from __future__ import annotations

from typing import Annotated, NotRequired

from pydantic import Field
from typing_extensions import TypedDict  # pydantic wants it before Python 3.12

from watchd.alarms.state import ByHow, Event, State, Told
from watchd.messages.words import AlarmName, Time, Values
from watchd.rules.rule import Priority


class AlarmRecord(TypedDict):
    """An alarm that is not normal."""

    rule: Annotated[str, Field(description="name of the rule")]
    subject: Annotated[str, Field(description="such as pack/alder, cell/alder/7 or bank/hut")]
    state: Annotated[State, Field(description="what people see of it")]
    priority: Annotated[Priority, Field(description="consequence and time to respond")]
    since: Annotated[Time | None, Field(description="when it was raised; null: it is not")]
    value: Values
    title: Annotated[str, Field(description="what and where, in a few words")]
    text: Annotated[str, Field(description="what a person reads")]
    cause: Annotated[str, Field(description="likely causes")]
    consequence: Annotated[str, Field(description="what happens if nothing is done")]
    response: Annotated[str, Field(description="what to do")]
    occurrences: Annotated[int, Field(description="how often it was raised since it was normal")]
    caution: NotRequired[Annotated[str, Field(description="what to be careful of")]]
    limit: NotRequired[
        Annotated[str, Field(description="what the number in the text is held against, with unit")]
    ]
    unknown: NotRequired[
        Annotated[list[str], Field(description="names that leave the condition without an answer")]
    ]
    condition: NotRequired[
        Annotated[State, Field(description="the state behind shelved, suppressed, out of service")]
    ]
    shelved_until: NotRequired[Annotated[Time, Field(description="when its shelf ends at last")]]
    until_cleared: NotRequired[
        Annotated[bool, Field(description="its shelf also ends when it next returns")]
    ]
    group: NotRequired[Annotated[str | None, Field(description="group of its rule")]]
    first_of_group: NotRequired[
        Annotated[AlarmName, Field(description="the alarm of the group that was raised first")]
    ]
    chattering: NotRequired[Annotated[bool, Field(description="raised again and again")]]
    stale: NotRequired[Annotated[bool, Field(description="raised for more than a day")]]
    annunciate: NotRequired[Annotated[bool, Field(description="false: nobody is told of it")]]


class Annunciation(TypedDict):
    """What a phone should show now."""

    at: Time
    title: Annotated[str, Field(description="what and where, for a lock screen", max_length=60)]
    text: Annotated[str, Field(description="the rule's sentence with its numbers")]
    message: Annotated[
        str,
        Field(
            description="all that a phone shows under the title, a line each: the number against "
            "its limit, what to do, what to be careful of"
        ),
    ]
    priority: Annotated[Priority, Field(description="consequence and time to respond")]
    alarm: AlarmName
    event: Annotated[Event, Field(description="what happened to it")]
    consequence: Annotated[str, Field(description="what happens if nothing is done")]
    response: Annotated[str, Field(description="what to do")]
    caution: NotRequired[Annotated[str, Field(description="what to be careful of")]]
    first_of_group: NotRequired[
        Annotated[AlarmName, Field(description="the alarm of the group that was raised first")]
    ]


class JournalEntry(TypedDict):
    """A change of an alarm, as the journal keeps it."""

    at: Annotated[float, Field(description="Unix seconds, as the clock showed them")]
    alarm: AlarmName
    event: Annotated[Event, Field(description="what happened to it")]
    before: Annotated[State, Field(description="what people saw of it before")]
    state: Annotated[State, Field(description="and after")]
    condition: Annotated[State, Field(description="the state behind it")]
    priority: Annotated[Priority, Field(description="consequence and time to respond")]
    told: Annotated[Told, Field(description="whether a person was told, and if not, why")]
    by: Annotated[str, Field(description="who asked for it")]
    by_how: NotRequired[
        Annotated[
            ByHow,
            Field(description="topic: it came on the topic of this name; claim: it said so"),
        ]
    ]
    claim: NotRequired[
        Annotated[str, Field(description="what the request called itself, where that is another")]
    ]
    text: Annotated[str, Field(description="what a person reads")]
    values: Values
