"""The guided re-anchoring of a pack."""

from __future__ import annotations

from typing import Annotated, NotRequired

from pydantic import Field
from typing_extensions import TypedDict  # pydantic wants it before Python 3.12

from watchd.advice.reanchoring.states import Outcome, Step, Way
from watchd.messages.words import CellVolts, Percent, Time
from watchd.rules.rule import Priority


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
