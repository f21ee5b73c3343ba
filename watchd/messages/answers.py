"""What is answered to a request."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict  # pydantic wants it before Python 3.12

from watchd.alarms.state import State
from watchd.figures import Value
from watchd.messages.alarms import AlarmRecord, JournalEntry
from watchd.messages.reanchoring import Reanchoring
from watchd.messages.words import AlarmName
from watchd.rules.rule import Priority

Bearing = Literal["when", "stays", "until", "suppress_when"]


class WhyPart(TypedDict):
    """A condition or a part of one, with what it holds against what."""

    text: Annotated[str, Field(description="as the rule has it")]
    holds: Annotated[bool | None, Field(description="null: unknown")]
    joined: NotRequired[Annotated[str, Field(description="all, any or not: of its parts")]]
    parts: NotRequired[list[WhyPart]]
    for_s: NotRequired[Annotated[float | None, Field(description="s since it last changed")]]
    figure: NotRequired[Annotated[str, Field(description="what is held against the limit")]]
    value: NotRequired[Annotated[Value, Field(description="its value now")]]
    operator: NotRequired[Annotated[str, Field(description="the comparison")]]
    limit: NotRequired[Annotated[Value, Field(description="the limit now")]]
    unit: NotRequired[Annotated[str, Field(description="of both")]]
    limit_from: NotRequired[Annotated[str, Field(description="what the limit is computed from")]]
    deadband: NotRequired[Annotated[float, Field(description="in the limit already")]]


class Wait(TypedDict):
    """A time that runs."""

    what: Annotated[
        Literal["on_delay", "off_delay", "re_alarm_time", "shelved"], Field(description="which")
    ]
    left_s: Annotated[float, Field(description="s until it ends", ge=0)]
    of_s: NotRequired[Annotated[float, Field(description="s, the whole of it", ge=0)]]
    runs: Annotated[bool, Field(description="false: it stands still, something is unknown")]


class Why(TypedDict):
    """Why an alarm is as it is."""

    alarm: AlarmName
    state: Annotated[State, Field(description="what people see of it")]
    condition: Annotated[State, Field(description="the state behind it")]
    priority: Annotated[Priority, Field(description="consequence and time to respond")]
    text: Annotated[str, Field(description="what a person reads")]
    raised_s: Annotated[float | None, Field(description="s since it was raised")]
    changed_s: Annotated[float | None, Field(description="s since it last changed")]
    occurrences: Annotated[int, Field(description="how often it was raised since it was normal")]
    unknown: Annotated[
        list[str], Field(description="names that leave the condition without an answer")
    ]
    conditions: Annotated[
        dict[Bearing, WhyPart],
        Field(description="those that bear on it now"),
    ]
    waits: Annotated[list[Wait], Field(description="the times that run or stand still")]


class Done(TypedDict):
    """The answer where an alarm was changed."""

    ok: Literal[True]
    alarm: AlarmName
    state: Annotated[State, Field(description="what people see of it now")]


class ListedAlarm(AlarmRecord):
    """An alarm of a list."""

    alarm: AlarmName


class AlarmList(TypedDict):
    """The answer to `list`."""

    ok: Literal[True]
    alarms: list[ListedAlarm]
    left_out: Annotated[int, Field(description="how many more there are", ge=0)]


class Explanation(TypedDict):
    """The answer to `why`."""

    ok: Literal[True]
    why: Why


class History(TypedDict):
    """The answer to `history`."""

    ok: Literal[True]
    entries: Annotated[list[JournalEntry], Field(description="the oldest first")]


class ReanchorAnswer(TypedDict):
    """The answer to `reanchor`."""

    ok: Literal[True]
    reanchor: Reanchoring


class SettingLine(TypedDict):
    """One setting of a pack's sheet; its unit is the end of its name."""

    setting: Annotated[str, Field(description="its path in the config, or what was computed")]
    value: Annotated[float | None, Field(description="null: not entered, or there is none")]
    origin: Annotated[
        Literal["config", "default", "telemetry"], Field(description="default: nobody entered it")
    ]
    config: NotRequired[Annotated[float, Field(description="what the config says of it")]]


class SettingsSheet(TypedDict):
    """The settings of a pack as they count."""

    pack: Annotated[str, Field(description="name of the pack")]
    bank: Annotated[str, Field(description="name of its bank")]
    settings: list[SettingLine]


class SettingsFinding(TypedDict):
    """What the audit found in the settings of a pack or a bank."""

    finding: Annotated[str, Field(description="its name")]
    severity: Annotated[
        Literal["fault", "remark"],
        Field(description="fault: contradicts itself or the cell maker's limits"),
    ]
    subject: Annotated[str, Field(description="pack/NAME or bank/NAME")]
    what: Annotated[str, Field(description="what it is, with the values")]
    why: Annotated[str, Field(description="why it matters")]
    usual: Annotated[str, Field(description="what is usual")]
    response: Annotated[str, Field(description="what to do")]


class Audit(TypedDict):
    """The answer to `audit`."""

    ok: Literal[True]
    sheets: list[SettingsSheet]
    findings: list[SettingsFinding]


class Refusal(TypedDict):
    """The answer where nothing was done."""

    ok: Literal[False]
    error: Annotated[str, Field(description="a sentence for who asked")]
    again_in_s: NotRequired[
        Annotated[float, Field(description="s after which it may be asked again", ge=0)]
    ]
