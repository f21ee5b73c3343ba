"""A pack: its cells, its BMS and balancer, and what it may carry."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from watchd.config.values import Amps, CellVolts, Name
from watchd.schema import PartError, Section


class Bms(Section):
    """Thresholds of the BMS, per cell. Enter what yours is set to."""

    overvoltage_v: CellVolts = Field(3.65, description="it stops the charge above it")
    overvoltage_recovery_v: CellVolts = Field(3.55, description="and lets it go on below it")
    undervoltage_v: CellVolts = Field(2.60, description="it stops the discharge below it")
    undervoltage_recovery_v: CellVolts = Field(2.90, description="and lets it go on above it")
    full_v: CellVolts | None = Field(None, description="where it sets its SoC to 100 %, if it does")


class Cell(Section):
    """What the cell maker's sheet allows. It comes before every threshold."""

    max_v: CellVolts = Field(3.65, description="highest voltage that the maker allows")
    min_v: CellVolts = Field(2.50, description="lowest voltage that the maker allows")


class Balancer(Section):
    """The balancer of the pack."""

    current_a: Annotated[float, Field(gt=0, le=50)] = Field(description="current that it moves")
    from_v: CellVolts = Field(description="cell voltage where it starts")


class Band(Section):
    """Temperatures in which the cell maker allows less charge current."""

    from_degc: Annotated[float, Field(ge=-40, le=90)] = Field(description="begin of the band")
    to_degc: Annotated[float, Field(ge=-40, le=90)] = Field(description="its end")
    c_rate: Annotated[float, Field(ge=0, le=5)] = Field(
        description="most in it, as a part of nameplate_ah"
    )

    @model_validator(mode="after")
    def _rising(self) -> Band:
        if self.from_degc >= self.to_degc:
            raise PartError("from_degc must be below to_degc", "from_degc")
        return self


class Temperature(Section):
    """The windows in which the cell maker allows charge and discharge."""

    charge_min_degc: Annotated[float, Field(ge=-40, le=60)] = Field(
        0.0, description="no charge below"
    )
    charge_max_degc: Annotated[float, Field(ge=0, le=90)] = Field(
        45.0, description="no charge above"
    )
    charge_bands: list[Band] = Field(
        [], description="bands inside it with less charge current, from the sheet"
    )
    discharge_min_degc: Annotated[float, Field(ge=-40, le=60)] = Field(
        -20.0, description="no discharge below"
    )
    discharge_max_degc: Annotated[float, Field(ge=0, le=90)] = Field(
        60.0, description="no discharge above"
    )


class PackOfBank(Section):
    """One pack with its own BMS (a string, in SunSpec's words), of a bank that is known."""

    cells_in_series: int = Field(16, ge=4, le=32, description="cells in series")
    nameplate_ah: Annotated[float, Field(gt=0, le=5000)] = Field(description="rated capacity")
    max_charge_a: Amps = Field(description="highest charge current of cells, BMS, fuse and wiring")
    max_discharge_a: Amps | None = Field(None, description="likewise for discharge")
    fuse_a: Amps | None = Field(
        None, description="rated current of its fuse; four fifths of it count, either way"
    )
    in_service: bool = Field(True, description="no: the pack is switched off on purpose")
    cell: Cell = Field(Cell(), description="limits from the cell maker's sheet")
    bms: Bms = Field(Bms(), description="thresholds of its BMS")
    balancer: Balancer | None = Field(None, description="its balancer, if it has one")
    temperature: Temperature = Field(Temperature(), description="window for charging")

    @model_validator(mode="after")
    def _order(self) -> Self:
        bms = self.bms
        if bms.overvoltage_recovery_v >= bms.overvoltage_v:
            what = "overvoltage_recovery_v must be below overvoltage_v"
            raise PartError(what, "bms", "overvoltage_recovery_v")
        if bms.undervoltage_v >= bms.undervoltage_recovery_v:
            what = "undervoltage_v must be below undervoltage_recovery_v"
            raise PartError(what, "bms", "undervoltage_v")
        if self.cell.min_v >= self.cell.max_v:
            raise PartError("min_v must be below max_v", "cell", "min_v")
        if self.temperature.charge_min_degc >= self.temperature.charge_max_degc:
            what = "charge_min_degc must be below charge_max_degc"
            raise PartError(what, "temperature", "charge_min_degc")
        if self.temperature.discharge_min_degc >= self.temperature.discharge_max_degc:
            what = "discharge_min_degc must be below discharge_max_degc"
            raise PartError(what, "temperature", "discharge_min_degc")
        return self


class Pack(PackOfBank):
    """The same, with the bank it is in."""

    bank: Name = Field(description="the bank it is in")
