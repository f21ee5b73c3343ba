"""A bank: its charge voltage, what full means, and how its limits are suggested."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from watchd.config.values import Amps, CellVolts, TopicName, Volts
from watchd.schema import Duration, Section


class Taper(Section):
    """How the charge current falls as the highest cell rises, while resistance is not learnt."""

    from_v: CellVolts | None = Field(
        None, description="cell voltage where it starts to fall; default: the profile's upper knee"
    )
    margin_v: Annotated[float, Field(ge=0.01, le=0.5)] = Field(
        0.05, description="nothing is suggested from this far below the BMS's over-voltage on"
    )
    tail_c_rate: Annotated[float, Field(gt=0, le=0.5)] = Field(
        0.05, description="what is left at the charge voltage per cell, as a part of capacity"
    )


class BalancingHold(Section):
    """The time at the top that a balancer is given, with little current."""

    at_most: Duration = Field(
        3 * 3600.0, le=86400, description="a day, for as long as the sun allows; 0 s for none"
    )
    reach_v: Annotated[float, Field(ge=0.01, le=0.3)] = Field(
        0.10, description="the leading cell is held so far above the balancer's from_v"
    )


class ChargeLimit(Section):
    """The suggested charge current limit."""

    valid_for: Duration = Field(120.0, ge=10, le=3600, description="advice is void after it")
    horizon: Duration = Field(
        60.0, ge=10, le=1800, description="no cell comes to its limit sooner; above the delays"
    )
    margin_v: Annotated[float, Field(ge=0.005, le=0.3)] = Field(
        0.05, description="a cell's limit is so far inside the BMS's over-voltage"
    )
    taper: Taper = Field(Taper(), description="the fall toward the top, while nothing is learnt")
    rise_a_min: Annotated[float, Field(gt=0, le=5000)] | None = Field(
        None, description="fastest rise in A a minute; default: a tenth of the most it can be"
    )
    balancing_hold: BalancingHold = Field(
        BalancingHold(), description="time at the top for the balancer"
    )


class DischargeLimit(Section):
    """The suggested discharge current limit. It is valid for as long as that of the charge."""

    margin_v: Annotated[float, Field(ge=0.005, le=0.5)] = Field(
        0.10, description="a cell's limit is so far inside the BMS's under-voltage"
    )
    from_v: CellVolts = Field(
        3.05, description="lowest cell where it starts to fall, while nothing is learnt"
    )


class Bank(Section):
    """Packs in parallel on one DC bus."""

    topic_name: TopicName | None = Field(
        None, description="what {bank} in a source's topic is for it; default: its name"
    )
    charge_voltage_v: Volts = Field(description="absorption voltage that the charger holds")
    full_when: str = Field(
        "voltage_v >= charge_voltage_v - 0.1"
        " and -0.01 * nameplate_ah < current_a < 0.05 * nameplate_ah",
        description="your own definition of a full pack, in the language of rules",
    )
    full_hold: Duration = Field(300.0, description="full_when must hold that long")
    max_charge_a: Amps | None = Field(
        None, description="what the chargers may give together; default: the packs' sum"
    )
    max_discharge_a: Amps | None = Field(
        None, description="what inverter and loads may take together; default: the packs' sum"
    )
    bus_a: Amps | None = Field(
        None, description="what busbar and main wiring may carry, either way"
    )
    charge_limit: ChargeLimit = Field(ChargeLimit(), description="the suggested limit")
    discharge_limit: DischargeLimit = Field(DischargeLimit(), description="likewise for discharge")
