"""Kinds of values that several payloads hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from watchd.figures import Value

Time = Annotated[str, Field(description="RFC 3339, UTC", json_schema_extra={"format": "date-time"})]
AlarmName = Annotated[str, Field(description="RULE/SUBJECT, such as cell-weak/pack/alder")]
Values = Annotated[
    Mapping[str, Value],
    Field(description="the figures and functions that condition and text name; null: unknown"),
]
Percent = Annotated[float | None, Field(description="%; null: not known")]
CellVolts = Annotated[float, Field(description="V a cell")]
Number = float | None
