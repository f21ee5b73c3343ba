"""The suggested charge current limit of a bank, from a part for each pack.

Each pack has its own limits: its maximum and its fuse, the first cell to come to its voltage limit,
temperature, the caps of raised rules, and what a balancer needs at the top. Through how the packs
share the bus current (`sharing`) they become limits of the bank, beside its own; the lowest rules.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from watchd.advice.advice import Advice, Cap, OwnLimit, PackState, Part, first_missing, measured
from watchd.advice.current_limit import CurrentLimit
from watchd.advice.hold import Held
from watchd.advice.sharing import Carrier
from watchd.advice.taper import charge_taper_a, tail_current_a
from watchd.advice.temperature import Bands
from watchd.config import Bank, Profile

NEEDED = ("cell_max_v", "current_a")
# Common practice, no source: a fuse carries four fifths of its rated current for hours.
FUSE_PART = 0.8


class ChargeLimit:
    """The suggestion for one bank as time goes on."""

    def __init__(self, bank: Bank, profile: Profile, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._bank, self._profile = bank, profile
        self._limit = CurrentLimit(bank.charge_limit.rise_a_min, known.get("limit"))
        self._bands = Bands(known.get("bands"))

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"limit": self._limit.snapshot(), "bands": self._bands.snapshot()}

    def update(
        self,
        at: float,
        packs: Sequence[PackState],
        caps: Sequence[Cap],
        held: Mapping[str, Held] | None = None,
    ) -> Advice:
        """The suggestion as of `at`. `packs`: those of the bank that are in service."""
        lacking = first_missing(packs, NEEDED)
        if lacking is not None:
            return Advice(None, "withdrawn", lacking)
        charging = [p for p in packs if p.figures["charge_allowed"] is not False]
        if not charging:
            why = "no BMS lets its pack charge" if packs else "no pack is in service"
            return self._limit.nothing(at, "no pack may charge", why)
        most_a = self._bank.max_charge_a or sum(p.pack.max_charge_a for p in packs)
        own = {p.name: list(self._own(p, caps, (held or {}).get(p.name))) for p in charging}
        bank = list(self._of_bank(most_a, caps))
        return self._limit.update(at, [carrier(p) for p in charging], own, bank)

    def _of_bank(self, most_a: float, caps: Sequence[Cap]) -> Iterator[Part]:
        yield from bank_limits(self._bank, most_a)
        for cap in caps:
            if cap.pack is None:
                because = f"{cap.rule}, raised, caps it at {cap.limit_a:.3g} A"
                yield Part(f"rule {cap.rule}", cap.limit_a, because)

    def _own(self, state: PackState, caps: Sequence[Cap], held: Held | None) -> Iterator[OwnLimit]:
        name, pack = state.name, state.pack
        yield OwnLimit("maximum", pack.max_charge_a, f"{name} may take {pack.max_charge_a:g} A")
        yield from fuse_limit(state)
        voltage = self._wanted_trip(state) if state.trip_wanted else self._voltage(state)
        if voltage.limit_a < pack.max_charge_a:
            yield voltage
        yield from self._bands.limits(state)
        for cap in caps:
            if cap.pack == name:
                because = f"{cap.rule} is raised for {name} and caps it at {cap.limit_a:.3g} A"
                yield OwnLimit(f"rule {cap.rule}", cap.limit_a, because, stops=cap.limit_a <= 0)
        if held is not None:
            yield OwnLimit("balancing hold", held.limit_a, held.because)

    def _voltage(self, state: PackState) -> OwnLimit:
        """By the first cell to come to its limit; by a taper, while too little is learnt."""
        name, figures = state.name, state.figures
        over_v, volts = self._overvoltage_v(state), measured(state, "cell_max_v")
        no = figures["cell_max_no"]
        amps, first = figures["charge_headroom_a"], figures["charge_headroom_cell_no"]
        settings = self._bank.charge_limit
        if isinstance(amps, float):
            is_at = f", now at {volts:.3f} V," if first == no else ""
            because = (
                f"with more than {amps:.3g} A {name}'s cell {first:.0f}{is_at} would pass "
                f"{over_v - settings.margin_v:.3f} V within {settings.horizon:.0f} s"
            )
            return OwnLimit("cell voltage", amps, because)
        because = f"{name}'s cell {no:.0f} is at {volts:.3f} V, over-voltage is at {over_v:.2f} V"
        amps = charge_taper_a(volts, state.pack, self._bank, self._profile, over_v)
        return OwnLimit("taper", amps, because)

    def _overvoltage_v(self, state: PackState) -> float:
        over_v = min(state.pack.bms.overvoltage_v, state.pack.cell.max_v)
        # A threshold that was lowered for a time counts as soon as the BMS reports it.
        reported = state.figures["setting_overvoltage_v"]
        return min(over_v, reported) if isinstance(reported, float) else over_v

    def _wanted_trip(self, state: PackState) -> OwnLimit:
        """On the way to the trip that re-anchors its BMS: slowly, and by the usual threshold."""
        pack, volts = state.pack, measured(state, "cell_max_v")
        over_v = min(pack.bms.overvoltage_v, pack.cell.max_v)
        tail_a = tail_current_a(pack, self._bank)
        amps = min(tail_a, charge_taper_a(volts, pack, self._bank, self._profile, over_v))
        because = f"{state.name} comes to the trip that re-anchors its BMS with little current"
        return OwnLimit("re-anchoring", amps, because)


def bank_limits(bank: Bank, most_a: float) -> Iterator[Part]:
    """What the bank may carry in either direction, whatever its packs allow."""
    yield Part("bank maximum", most_a, f"the bank's own limit is {most_a:g} A")
    if bank.bus_a is not None:
        yield Part("bus", bank.bus_a, f"busbar and wiring may carry {bank.bus_a:g} A")


def fuse_limit(state: PackState) -> Iterator[OwnLimit]:
    """What the pack's fuse carries for hours, if the config names one."""
    rated_a = state.pack.fuse_a
    if rated_a is not None:
        amps = FUSE_PART * rated_a
        because = f"{state.name}'s fuse of {rated_a:g} A carries {amps:.3g} A for hours"
        yield OwnLimit("fuse", amps, because)


def carrier(state: PackState, direction: float = 1.0) -> Carrier:
    """The pack as `sharing` sees it; `direction` is -1 for discharge."""
    mohm = state.figures["horizon_mohm"]
    known = mohm if isinstance(mohm, float) and mohm > 0.0 else None
    amps = direction * measured(state, "current_a")
    return Carrier(state.name, amps, state.pack.nameplate_ah, known)
