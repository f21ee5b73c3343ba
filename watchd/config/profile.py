"""The chemistry: where the open-circuit voltage is flat, and how steep its ends are."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

from pydantic import Field, model_validator

from watchd.config.values import CellVolts
from watchd.schema import PartError, Section

VoltsAndSoc = Annotated[
    list[Annotated[float, Field(ge=0, le=50)]], Field(min_length=2, max_length=2)
]


class UpperEnd(Section):
    """The steep top: the open-circuit voltage stands above from_v by what grows with charge."""

    from_v: CellVolts = Field(3.315, description="where the rise starts from")
    efold_pct: Annotated[float, Field(gt=0, le=20)] = Field(
        0.98, description="charge in % in which the rise grows 2.72-fold"
    )


class Profile(Section):
    """The chemistry. Lithium iron phosphate is what ships."""

    upper_knee_v: CellVolts = Field(
        3.40, description="cell voltage at which the flat part of the curve ends"
    )
    flat_from_v: CellVolts = Field(3.20, description="cell voltage at which the flat part begins")
    low_end: list[VoltsAndSoc] = Field(
        [[2.60, 0.8], [2.80, 3.1], [2.90, 5.2], [3.00, 8.8], [3.10, 12.7]],
        min_length=2,
        description="open-circuit voltage of a cell and SoC in %, where the low end is steep",
    )
    upper_end: UpperEnd = Field(UpperEnd(), description="where the top is steep")

    @model_validator(mode="after")
    def _rising(self) -> Profile:
        if any(v >= w or soc >= then for (v, soc), (w, then) in pairwise(self.low_end)):
            raise PartError("both must rise from point to point", "low_end", at_key=True)
        if self.flat_from_v >= self.upper_knee_v:
            raise PartError("flat_from_v must be below upper_knee_v", "flat_from_v")
        return self
