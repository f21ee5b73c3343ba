"""What may stand in a rules file: the schema of a rule and of its examples."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from watchd.schema import Duration, PartError, Section

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
Sentence = Annotated[str, Field(max_length=1000)]


MOST_STEPS = 200


class StepEntry(Section):
    """Figures that stand still for a time."""

    given: dict[str, Any] = Field(description="figures; those left out are unknown")
    lasting: Duration = Field(description="for how long")


class ExampleEntry(StepEntry):
    """What must happen in a case that the keeper thought of."""

    before: list[StepEntry] = Field([], description="what went before, in its order")
    times: int = Field(1, ge=1, le=100, description="how often `before` is gone through")
    expect: Literal["raised", "quiet"] = Field(description="whether the alarm is raised at the end")

    @model_validator(mode="after")
    def _whole(self) -> ExampleEntry:
        if self.times > 1 and not self.before:
            raise PartError("times repeats what went 'before', and nothing did", "times")
        if self.times * len(self.before) >= MOST_STEPS:
            raise PartError(f"more than {MOST_STEPS} steps", "times")
        return self


class RuleEntry(Section):
    """One rule of a file."""

    rule: str = Field(description="its name: small letters, digits and hyphens")
    about: Literal["bank", "pack", "cell", "service"] = Field(
        "pack", description="what it is evaluated for"
    )
    when: str = Field(description="the condition of the alarm")
    until: str | None = Field(None, description="the condition of return, instead of a deadband")
    on_delay: Duration = Field(0.0, description="`when` must hold that long")
    off_delay: Duration = Field(0.0, description="the return must hold that long")
    deadband: dict[str, Annotated[float, Field(gt=0)]] = Field(
        {}, description="per figure: how far below (or above) its limit it must return"
    )
    priority: Literal["critical", "high", "medium", "low", "journal"] = Field(
        description="critical to low, or journal: recorded, never annunciated"
    )
    title: Annotated[str, Field(max_length=200)] | None = Field(
        None, description="what and where, in at most 60 characters: the first line on a phone"
    )
    say: Sentence = Field(description="what a person reads: the number, and its limit if it varies")
    cause: Sentence = Field("", description="likely causes")
    consequence: Sentence = Field("", description="what happens if nothing is done")
    response: Sentence = Field("", description="what to do now, in one or two short sentences")
    caution: Sentence = Field(
        "", description="what to be careful of: before a setting is changed or a pack is opened"
    )
    latching: bool = Field(
        False, description="yes: stays after the return until it was acknowledged and reset"
    )
    suppress_when: str | None = Field(
        None, description="suppressed by design while it holds: evaluated, not annunciated"
    )
    re_alarm_time: Annotated[Duration, Field(gt=0)] | None = Field(
        None, description="still raised after it: unacknowledged and annunciated again"
    )
    group: str | None = Field(
        None, description="alarms of a group on one pack or bank tell which of them was the first"
    )
    annunciate: bool = Field(
        True, description="no: evaluated and recorded beside the others, but silent and no cap"
    )
    disabled: bool = Field(False, description="yes: checked when loaded, but never evaluated")
    charge_limit: str | None = Field(None, description="A; caps the suggestion while raised")
    examples: list[ExampleEntry] = Field([], description="cases that `watchd check` runs")

    @model_validator(mode="after")
    def _whole(self) -> RuleEntry:
        if not _NAME.fullmatch(self.rule):
            what = (
                f"'{self.rule}' cannot be a rule's name; use small letters, digits "
                "and hyphens (it becomes a level of a topic)"
            )
            raise PartError(what, "rule")
        if self.group is not None and not _NAME.fullmatch(self.group):
            what = f"'{self.group}' cannot be a group; use small letters, digits and hyphens"
            raise PartError(what, "group")
        if self.until is not None and self.deadband:
            raise PartError("give deadband or until, not both", "deadband", at_key=True)
        return self
