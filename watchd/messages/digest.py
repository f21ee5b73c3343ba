"""The digest of a day or a week."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict  # pydantic wants it before Python 3.12

from watchd.messages.words import AlarmName, Number, Time
from watchd.rules.rule import Priority


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
