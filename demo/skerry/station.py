"""The three packs of the bank, the charger and the panels: what stands on the skerry."""

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random

from demo.skerry.bank import Bank
from demo.skerry.bms import Balancer, Bms, Gauge, Protection
from demo.skerry.cell import Cell, CellKind
from demo.skerry.charger import Charger
from demo.skerry.pack import Pack
from demo.skerry.sun import Panels

CELLS = 16
AMBIENT_DEGC = 19.0  # a battery hut in a northern June
PANELS = Panels(peak_w=13_500.0, latitude_deg=58.0, longitude_deg=11.0)
CHARGER = Charger(max_current_a=160.0, charge_voltage_v=56.0)


@dataclass(frozen=True, slots=True)
class PackPlan:
    """How a pack was built, and what has become of it."""

    kind: CellKind
    charge: float
    """Of a cell that is neither ahead nor behind."""
    charge_scatter: float
    shows_soc_pct: float
    protection: Protection
    balancer: Balancer
    gauge: Gauge
    cable_mohm: float
    ahead: Mapping[int, float]
    """Cells ahead of the others in charge: number (from 1) and by how much."""


PLANS: Mapping[str, PackPlan] = {
    # Three years old. Cell 7 is 2.4 % ahead, and the small balancer works only at the top, where
    # the pack never stays.
    "auk": PackPlan(
        kind=CellKind(capacity_ah=272.0, ohmic_mohm=0.30, relaxing_mohm=0.22),
        charge=0.77,
        charge_scatter=0.0008,
        shows_soc_pct=79.0,
        protection=Protection(overvoltage_recovery_v=3.45),
        balancer=Balancer(current_a=0.6, from_v=3.40, shuttles=True),
        gauge=Gauge(capacity_ah=280.0, offset_a=-0.2, gain=1.002, full_at_v=3.50),
        cable_mohm=1.5,
        ahead={7: 0.024},
    ),
    # In good order, but its counter has drifted down for months: it goes back to 100 % only after
    # an over-voltage trip, and cells in balance at 3.50 V never trip.
    "tern": PackPlan(
        kind=CellKind(capacity_ah=228.0, ohmic_mohm=0.32, relaxing_mohm=0.24),
        charge=0.79,
        charge_scatter=0.0003,
        shows_soc_pct=68.5,
        protection=Protection(),
        balancer=Balancer(current_a=0.15, from_v=3.42, shuttles=False),
        gauge=Gauge(capacity_ah=230.0, offset_a=-0.3, gain=0.985, full_at_v=None),
        cable_mohm=1.2,
        ahead={},
    ),
    # The newest, smaller and of higher resistance, and well behaved.
    "eider": PackPlan(
        kind=CellKind(capacity_ah=121.0, ohmic_mohm=0.62, relaxing_mohm=0.45),
        charge=0.78,
        charge_scatter=0.0003,
        shows_soc_pct=78.5,
        protection=Protection(),
        balancer=Balancer(current_a=0.4, from_v=3.42, shuttles=True),
        gauge=Gauge(capacity_ah=120.0, offset_a=0.05, gain=1.003, full_at_v=3.48),
        cable_mohm=1.8,
        ahead={},
    ),
}


def build_pack(name: str, plan: PackPlan, seed: int) -> Pack:
    """One pack, its cells scattered a little as cells are."""
    draw = Random(f"{seed} {name}")
    cells = []
    for number in range(1, CELLS + 1):
        kind = CellKind(
            capacity_ah=plan.kind.capacity_ah * draw.gauss(1.0, 0.0015),
            ohmic_mohm=plan.kind.ohmic_mohm * draw.gauss(1.0, 0.03),
            relaxing_mohm=plan.kind.relaxing_mohm * draw.gauss(1.0, 0.03),
        )
        charge = plan.charge + draw.gauss(0.0, plan.charge_scatter) + plan.ahead.get(number, 0.0)
        cells.append(Cell(kind, charge, AMBIENT_DEGC))
    bms = Bms(plan.protection, plan.balancer, plan.gauge, plan.shows_soc_pct)
    return Pack(name, cells, bms, noise=draw, cable_mohm=plan.cable_mohm)


def build_bank(seed: int) -> Bank:
    """The bank as it stands in the morning."""
    return Bank([build_pack(name, plan, seed) for name, plan in PLANS.items()], CHARGER)
