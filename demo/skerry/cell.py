"""One LFP cell: charge, open-circuit voltage, resistance, and two ways of lagging behind."""

from dataclasses import dataclass
from math import exp

from demo.skerry.ocv import ocv_v

_GAS_J_PER_MOL_K = 8.314
_REFERENCE_K = 298.15
# Resistance in the cold: 35 kJ/mol, as in the Chen et al. 2020 set; 3.64 times at 0 degC.
_ACTIVATION_J_PER_MOL = 35_000.0


@dataclass(frozen=True, slots=True)
class CellKind:
    """What cells of one make have in common."""

    capacity_ah: float
    ohmic_mohm: float
    """With its joint. Common practice, no source: 2 to 4 times the 1 kHz figure of the sheet."""
    relaxing_mohm: float
    relaxing_s: float = 40.0
    """Resistor and capacitor for what settles within a minute or two."""
    surface_lead_s: float = 240.0
    """How far the surface of the particles is ahead of their inside: this many seconds of current.

    One resistor-capacitor pair cannot show that a cell which reached 3.65 V rests at 3.35 to
    3.40 V (common practice, no source). In a particle the surface leads the mean in proportion to
    the current (Subramanian, Diwakar, Tapriyal 2005, J. Electrochem. Soc. 152, A2002; from memory),
    and the open-circuit voltage is that of the surface. The figure is ours: at 0.05 C a cell then
    looks 0.3 % fuller than it is.
    """
    surface_s: float = 300.0
    """Time constant of that lead; ours too, of the order of what a full cell takes to settle."""
    heat_j_per_k: float = 1000.0
    """Specific heat near 1 kJ/(kg K) (from memory) times the mass."""
    cooling_w_per_k: float = 0.35


class Cell:
    """The state of one cell; charge current is positive."""

    __slots__ = (
        "_resistance_factor",
        "charge",
        "kind",
        "relaxing_v",
        "surface_lead",
        "temperature_degc",
    )

    def __init__(self, kind: CellKind, charge: float, temperature_degc: float) -> None:
        self.kind = kind
        self.charge = charge
        self.temperature_degc = temperature_degc
        self.relaxing_v = 0.0
        self.surface_lead = 0.0
        self._resistance_factor = resistance_factor(temperature_degc)

    @property
    def charge_ah(self) -> float:
        """Charge in the cell; it may exceed the capacity a little."""
        return self.charge * self.kind.capacity_ah

    @property
    def ohmic_ohm(self) -> float:
        """What answers a change of current at once."""
        return self.kind.ohmic_mohm * self._resistance_factor / 1000.0

    @property
    def source_v(self) -> float:
        """Voltage behind the ohmic resistance: what would show if the current stopped now."""
        return ocv_v(self.charge + self.surface_lead) + self.relaxing_v

    def voltage_v(self, current_a: float) -> float:
        """Voltage at the terminals."""
        return self.source_v + current_a * self.ohmic_ohm

    def step(self, current_a: float, lasting_s: float, ambient_degc: float) -> None:
        """Let a constant current flow; exact for that current, whatever the length of the step."""
        kind = self.kind
        factor = self._resistance_factor
        speed_per_s = current_a / (3600.0 * kind.capacity_ah)
        self.charge += speed_per_s * lasting_s
        settled = speed_per_s * kind.surface_lead_s
        self.surface_lead = settled + (self.surface_lead - settled) * exp(
            -lasting_s / kind.surface_s
        )
        settled = current_a * kind.relaxing_mohm * factor / 1000.0
        lost_w = (kind.ohmic_mohm * factor / 1000.0 * current_a + self.relaxing_v) * current_a
        self.relaxing_v = settled + (self.relaxing_v - settled) * exp(-lasting_s / kind.relaxing_s)
        gained_w = lost_w - (self.temperature_degc - ambient_degc) * kind.cooling_w_per_k
        self.temperature_degc += gained_w * lasting_s / kind.heat_j_per_k
        self._resistance_factor = resistance_factor(self.temperature_degc)

    def shift_ah(self, moved_ah: float) -> None:
        """Take in (or give away) charge past the pack's own current, as a balancer does."""
        self.charge += moved_ah / self.kind.capacity_ah


def resistance_factor(temperature_degc: float) -> float:
    """How much higher resistance is than at 25 degC (Arrhenius)."""
    temperature_k = temperature_degc + 273.15
    return exp(
        _ACTIVATION_J_PER_MOL / _GAS_J_PER_MOL_K * (1.0 / temperature_k - 1.0 / _REFERENCE_K)
    )
