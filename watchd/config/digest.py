"""The digest: when it is sent."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from watchd.digest.schedule import WEEKDAYS, Period, Schedule, parse_schedule
from watchd.schema import Section


def _checked(period: Period, value: Any) -> str | None:
    if value is False:
        return None
    if not isinstance(value, str):
        example = '"07:30"' if period is Period.DAILY else '"sunday 18:00"'
        # YAML reads 18:30 without quotes as a number to the base of 60.
        raise ValueError(f"a time of day is text in quotes; write {example}, or no for none")  # noqa: TRY004 - pydantic wants ValueError
    parse_schedule(period, value)
    return value


def _daily(value: Any) -> str | None:
    return _checked(Period.DAILY, value)


def _weekly(value: Any) -> str | None:
    return _checked(Period.WEEKLY, value)


_DAY = "|".join(f"[{day[0].upper()}{day[0]}]{day[1:]}" for day in WEEKDAYS)
_TIME = "([01][0-9]|2[0-3]):[0-5][0-9]"


def _schema(pattern: str, example: str) -> WithJsonSchema:
    text = {"type": "string", "pattern": rf"^\s*{pattern}\s*$", "examples": [example]}
    return WithJsonSchema({"anyOf": [text, {"const": False}]})


class Digest(Section):
    """When the digests are sent, in the time of `timezone`."""

    daily: Annotated[str | None, BeforeValidator(_daily), _schema(_TIME, "07:30")] = Field(
        "07:30", description="every day at this time; no for none"
    )
    weekly: Annotated[
        str | None,
        BeforeValidator(_weekly),
        _schema(rf"({_DAY})\s+{_TIME}", "sunday 18:00"),
    ] = Field("sunday 18:00", description="once a week, with the week before; no for none")

    def wanted(self) -> dict[Period, str]:
        """When each is sent, of those that are wanted."""
        found = {Period.DAILY: self.daily, Period.WEEKLY: self.weekly}
        return {period: text for period, text in found.items() if text is not None}

    def schedules(self) -> dict[Period, Schedule]:
        """The same, to be reckoned with."""
        return {period: parse_schedule(period, text) for period, text in self.wanted().items()}
