"""The daemon itself, figures, and what is suggested for a bank."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict  # pydantic wants it before Python 3.12

from watchd.figures import Value
from watchd.messages.words import Time


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


class FiguresRecord(TypedDict):
    """The figures of a pack or a bank."""

    at: Time
    figures: Annotated[Mapping[str, Value], Field(description="by name; null: unknown")]


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
