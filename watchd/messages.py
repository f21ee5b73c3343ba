"""What the payloads of watchd's own topics hold, each declared once.

The code that makes a payload returns one of these; `watchd schema topics` prints their JSON Schema.
A key that is not always there is `NotRequired`; one whose value may be unknown has None for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict  # pydantic wants it before Python 3.12

from watchd.advice.reanchoring.states import Outcome, Step, Way
from watchd.alarms.state import ByHow, Event, State, Told
from watchd.figures import Value
from watchd.rules.rule import Priority

Time = Annotated[str, Field(description="RFC 3339, UTC", json_schema_extra={"format": "date-time"})]
AlarmName = Annotated[str, Field(description="RULE/SUBJECT, such as cell-weak/pack/alder")]
Values = Annotated[
    Mapping[str, Value],
    Field(description="the figures and functions that condition and text name; null: unknown"),
]


class ServiceRecord(TypedDict):
    """The daemon itself. The broker says `lost` in its name, without rules and counts."""

    state: Annotated[
        Literal["running", "stopped", "lost"], Field(description="what watchd is doing")
    ]
    since: Annotated[Time | None, Field(description="null: lost, and nobody knows since when")]
    version: Annotated[str, Field(description="of watchd")]
    rules: NotRequired[Annotated[int, Field(description="number of rules in force")]]
    counts: NotRequired[
        Annotated[dict[str, int], Field(description="what was taken, refused and dropped")]
    ]


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


Percent = Annotated[float | None, Field(description="%; null: not known")]
CellVolts = Annotated[float, Field(description="V a cell")]


class ReanchorReading(TypedDict):
    """The state of charge at one moment of a re-anchoring."""

    shown_pct: Annotated[Percent, Field(description="by the BMS, %")]
    own_pct: Annotated[Percent, Field(description="by watchd's count, %")]
    error_pct: Annotated[Percent, Field(description="the first minus the second, %")]
    sigma_pct: Annotated[Percent, Field(description="standard error of the second, %")]


class ReanchorRecord(TypedDict):
    """A re-anchoring that has ended."""

    way: Annotated[Way, Field(description="how it was done")]
    outcome: Annotated[Outcome, Field(description="how it ended")]
    begun: Time
    ended: Time
    before: ReanchorReading
    after: Annotated[
        ReanchorReading | None, Field(description="when the BMS set itself; null: it did not")
    ]
    checked_pct: Annotated[Percent, Field(description="shown at the next full charge, %")]
    set_v: Annotated[float | None, Field(description="V a cell that was set; null: nothing was")]
    restored_v: Annotated[float | None, Field(description="V a cell that was put back")]
    anchored_after_s: Annotated[
        float | None, Field(description="s from the setting until the BMS set itself")
    ]
    in_place_s: Annotated[
        float | None, Field(description="s for which a temporary threshold was in place")
    ]
    trips: Annotated[int, Field(description="over-voltage trips meanwhile", ge=0)]
    text: Annotated[str, Field(description="the same in sentences")]


class ReanchorStep(TypedDict):
    """The guided re-anchoring of a pack: where it is, and what a person does now."""

    pack: Annotated[str, Field(description="name of the pack")]
    way: Annotated[Way, Field(description="how it is done")]
    step: Annotated[Step, Field(description="where it is")]
    begun: Time
    since: Annotated[Time, Field(description="when this step began")]
    do: Annotated[str, Field(description="what to do now")]
    why: Annotated[str, Field(description="why")]
    waits_for: Annotated[str, Field(description="what watchd waits for")]
    next: Annotated[str, Field(description="what it says next")]
    caution: NotRequired[Annotated[str, Field(description="where a setting is concerned")]]
    temporary_v: NotRequired[
        Annotated[CellVolts, Field(description="the temporary over-voltage threshold, V a cell")]
    ]
    restore_v: NotRequired[
        Annotated[CellVolts, Field(description="what is to be put back, V a cell")]
    ]
    temporary_recovery_v: NotRequired[
        Annotated[CellVolts, Field(description="the temporary recovery, V a cell")]
    ]
    restore_recovery_v: NotRequired[
        Annotated[CellVolts, Field(description="the recovery to be put back, V a cell")]
    ]
    record: NotRequired[Annotated[ReanchorRecord, Field(description="where it has ended")]]


class StepAnnunciation(TypedDict):
    """What a phone should show now, of a re-anchoring. No flood holds it back."""

    at: Time
    title: Annotated[str, Field(description="pack and step, for a lock screen", max_length=60)]
    text: Annotated[str, Field(description="what a person reads")]
    message: Annotated[
        str, Field(description="all that a phone shows under the title, a line each")
    ]
    priority: Annotated[Priority, Field(description="consequence and time to respond")]
    reanchor: Annotated[str, Field(description="name of the pack")]
    step: Annotated[Step, Field(description="where it is")]
    consequence: Annotated[str, Field(description="what happens if nothing is done")]
    response: Annotated[str, Field(description="what to do")]
    caution: NotRequired[Annotated[str, Field(description="where a setting is concerned")]]


class ReanchorWay(TypedDict):
    """A way to re-anchor."""

    way: Annotated[Way, Field(description="its name")]
    open: Annotated[bool, Field(description="false: it is passed over")]
    text: Annotated[str, Field(description="what it is, with its values")]
    reasons: Annotated[list[str], Field(description="why it is passed over")]
    caution: NotRequired[Annotated[str, Field(description="where a setting is concerned")]]


class Reanchoring(TypedDict):
    """Whether a pack is to be re-anchored, by which ways, and where it is."""

    pack: Annotated[str, Field(description="name of the pack")]
    needed: Annotated[bool | None, Field(description="null: it cannot be said")]
    assessment: Annotated[list[str], Field(description="why, in sentences")]
    now: Annotated[str, Field(description="the pack now, in a sentence")]
    ways: Annotated[
        list[ReanchorWay],
        Field(description="the mildest first; none while one goes on, or where none is needed"),
    ]
    warning: NotRequired[
        Annotated[list[str], Field(description="to be read, and the request made again with yes")]
    ]
    step: NotRequired[Annotated[ReanchorStep, Field(description="of the one that goes on")]]
    records: Annotated[list[ReanchorRecord], Field(description="the oldest first")]


class LimitPart(TypedDict):
    """What a bank may carry because of one thing."""

    what: Annotated[str, Field(description="such as `pack/alder taper` or `rule cell-weak`")]
    limit_a: Annotated[float, Field(description="A, of the bank", ge=0)]
    because: Annotated[str, Field(description="a sentence")]
    pack_limit_a: NotRequired[Annotated[float, Field(description="A, of the pack alone", ge=0)]]
    share: NotRequired[
        Annotated[float, Field(description="part of the current, or of its change", ge=0, le=1)]
    ]


class LimitRecord(TypedDict):
    """A suggested current limit of a bank, of charge or of discharge: a magnitude."""

    limit_a: Annotated[float, Field(description="A", ge=0)]
    until: Annotated[Time, Field(description="it is void after it")]
    limited_by: Annotated[str, Field(description="the part that rules")]
    because: Annotated[str, Field(description="a sentence")]
    parts: Annotated[list[LimitPart], Field(description="what it comes from")]


class ChargeVoltageRecord(TypedDict):
    """The suggested charge voltage of a bank, at most the keeper's own."""

    voltage_v: Annotated[float, Field(description="V", ge=0)]
    until: Annotated[Time, Field(description="it is void after it")]
    limited_by: Annotated[str, Field(description="what it comes from")]
    because: Annotated[str, Field(description="a sentence")]


class FiguresRecord(TypedDict):
    """The figures of a pack or a bank."""

    at: Time
    figures: Annotated[Mapping[str, Value], Field(description="by name; null: unknown")]


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


Number = float | None


class DigestBefore(TypedDict):
    """A pack in the week before. null: not known."""

    spread_at_full_mv: Annotated[Number, Field(description="mV, when it was last full in it")]
    capacity_ah: Annotated[Number, Field(description="Ah, as of its end")]
    in_kwh: Annotated[Number, Field(description="kWh that went in")]
    out_kwh: Annotated[Number, Field(description="kWh that came out")]
    trips: Annotated[int | None, Field(description="protection trips")]


class DigestPack(TypedDict):
    """A pack in the time of a digest. null: not known."""

    pack: Annotated[str, Field(description="name of the pack")]
    bank: Annotated[str, Field(description="name of its bank")]
    full: Annotated[bool | None, Field(description="whether it was full in the time")]
    since_full_h: Annotated[Number, Field(description="h since it was last full")]
    full_charges: Annotated[int | None, Field(description="how often it became full")]
    soc_pct: Annotated[Number, Field(description="%, by watchd's count; without one by the BMS")]
    spread_at_full_mv: Annotated[Number, Field(description="mV, when it was last full")]
    spread_trend: Annotated[
        Literal["growing", "closing", "steady"] | None,
        Field(description="of the spread at full, by the 95 % interval of its slope"),
    ]
    spread_slope_mv: Annotated[Number, Field(description="mV a day")]
    soc_error_pct: Annotated[
        Number,
        Field(description="BMS's SoC minus watchd's, before the last full charge of the time, %"),
    ]
    trips: Annotated[int | None, Field(description="protection trips")]
    in_kwh: Annotated[Number, Field(description="kWh that went in")]
    out_kwh: Annotated[Number, Field(description="kWh that came out")]
    counted_pct: Annotated[Number, Field(description="part of the time that these cover, %")]
    capacity_ah: Annotated[Number, Field(description="Ah, as measured")]
    soh_pct: Annotated[Number, Field(description="the same as % of nameplate capacity")]
    telemetry_age_s: Annotated[
        Number, Field(description="s, where the telemetry is stale; null: it is not")
    ]
    not_well: Annotated[list[str], Field(description="what is not well, the worst first")]
    before: NotRequired[Annotated[DigestBefore, Field(description="weekly: the week before")]]


class DigestAlarm(TypedDict):
    """An alarm that stands."""

    alarm: AlarmName
    priority: Annotated[Priority, Field(description="consequence and time to respond")]
    since: Annotated[Time | None, Field(description="when it was raised; null: not known")]
    stale: Annotated[bool, Field(description="raised for more than a day")]
    text: Annotated[str, Field(description="what a person reads")]


class DigestActor(TypedDict):
    """The alarm that was told most."""

    alarm: AlarmName
    told: Annotated[int, Field(description="how often, in the time", ge=0)]
    do: Annotated[
        Literal["delay", "limit", "mend"],
        Field(description="what its journal speaks for: a delay, another limit, mending the cause"),
    ]
    text: Annotated[str, Field(description="the same in sentences")]


class DigestAlarms(TypedDict):
    """The alarms that stand, and the alarm budget. null: not known."""

    standing: Annotated[list[DigestAlarm], Field(description="the most urgent first")]
    shelved: Annotated[int, Field(description="raised, and put aside by a person", ge=0)]
    told: Annotated[int | None, Field(description="how often a person was told, in the time")]
    told_before: NotRequired[Annotated[int | None, Field(description="weekly: in the week before")]]
    per_day: Annotated[Number, Field(description="told a day, over `over_d`")]
    over_d: Annotated[Number, Field(description="d; 30 once there are so many")]
    goal_per_day: Annotated[float, Field(description="watchd's own goal; no standard has one")]
    chattering: Annotated[list[AlarmName], Field(description="chattered in the time")]
    worst: Annotated[DigestActor | None, Field(description="the alarm that was told most")]


DigestRecord = TypedDict(
    "DigestRecord",
    {
        "at": Annotated[Time, Field(description="as of; the same for the same digest")],
        "from": Annotated[Time, Field(description="begin of the time that it is about")],
        "to": Annotated[Time, Field(description="and its end")],
        "title": Annotated[str, Field(description="one line: must something be done?")],
        "message": Annotated[str, Field(description="what a phone shows under it")],
        "in_kwh": Annotated[
            Number, Field(description="kWh that went in, all packs; null: not known")
        ],
        "out_kwh": Annotated[Number, Field(description="likewise out")],
        "packs": list[DigestPack],
        "alarms": DigestAlarms,
        "missing": Annotated[list[str], Field(description="what could not be read, and why")],
    },
)


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
