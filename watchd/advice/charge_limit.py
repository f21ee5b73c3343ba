"""The suggested charge current limit of a bank, from a part for each pack.

Each pack has its own limits: its maximum and its fuse, the first cell to come to its voltage limit,
temperature, the caps of raised rules, and what a balancer needs at the top. Through how the packs
share the bus current (`sharing`) they become limits of the bank, beside its own; the lowest rules.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from watchd.advice.advice import Advice, Cap, OwnLimit, PackState, Part, measured, missing
from watchd.advice.current_limit import Carrying, Ceiling, CurrentLimit, least_of
from watchd.advice.hold import Held
from watchd.advice.of_packs import OfPacks
from watchd.advice.taper import charge_taper_a, tail_current_a
from watchd.advice.temperature import Bands
from watchd.config import Bank, Pack, Profile

NEEDED = ("cell_max_v", "current_a")
# Common practice, no source: a fuse carries four fifths of its rated current for hours.
FUSE_PART = 0.8
NOBODY: Mapping[str, Held] = {}


class _Seen:
    """Of one pack: what is missing of it, whether it may charge; and once it does, its limits."""

    __slots__ = ("carrying", "lacking", "may_charge", "state")

    def __init__(self, state: PackState) -> None:
        self.state = state
        self.lacking = missing(state, NEEDED)
        self.may_charge = state.figures["charge_allowed"] is not False
        self.carrying: Carrying | None = None


class ChargeLimit:
    """The suggestion for one bank as time goes on."""

    def __init__(self, bank: Bank, profile: Profile, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._bank, self._profile = bank, profile
        self._limit = CurrentLimit(bank.charge_limit.rise_a_min, known.get("limit"))
        self._bands = Bands(known.get("bands"))
        self._packs = OfPacks(_Seen)
        self._fixed = FixedLimits()
        self._caps: list[Cap] = []
        self._held: Mapping[str, Held] = NOBODY
        self._ceiling: tuple[float, Ceiling] | None = None

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
        seen, charging = self._packs.of(packs), []
        for each in seen:
            if each.lacking is not None:
                return Advice(None, "withdrawn", each.lacking)
            if each.may_charge:
                charging.append(each)
        if not charging:
            why = "no BMS lets its pack charge" if packs else "no pack is in service"
            return self._limit.nothing(at, "no pack may charge", why)
        if caps != self._caps:
            self._caps, self._ceiling = list(caps), None
            for each in seen:
                each.carrying = None
        of = held or NOBODY
        if of != self._held:
            self._held = of
            for each in seen:
                each.carrying = None
        carrying = [each.carrying or self._carrying(each) for each in charging]
        return self._limit.update(at, carrying, self._of_bank(packs))

    def _of_bank(self, packs: Sequence[PackState]) -> Ceiling:
        most_a = self._bank.max_charge_a or sum([p.pack.max_charge_a for p in packs])
        if self._ceiling is None or self._ceiling[0] != most_a:
            parts = bank_limits(self._bank, most_a)
            for cap in self._caps:
                if cap.pack is None:
                    because = f"{cap.rule}, raised, caps it at {cap.limit_a:.3g} A"
                    parts.append(Part(f"rule {cap.rule}", cap.limit_a, because))
            self._ceiling = (most_a, Ceiling(parts))
        return self._ceiling[1]

    def _carrying(self, seen: _Seen) -> Carrying:
        seen.carrying = carrying(seen.state, self._own(seen.state))
        return seen.carrying

    def _own(self, state: PackState) -> list[OwnLimit]:
        most_a, headroom_a = state.pack.max_charge_a, state.figures["charge_headroom_a"]
        found = self._fixed.of(state, most_a, "take")
        voltage: OwnLimit | None = None
        if state.trip_wanted:
            voltage = self._wanted_trip(state)
        elif not isinstance(headroom_a, float):
            voltage = self._taper(state)
        elif headroom_a < most_a:
            voltage = self._voltage(state, headroom_a)
        if voltage is not None and voltage.limit_a < most_a:
            found.append(voltage)
        found += self._bands.limits(state)
        if self._caps:
            found.extend(_cap(cap) for cap in self._caps if cap.pack == state.name)
        held = self._held.get(state.name)
        if held is not None:
            found.append(OwnLimit("balancing hold", held.limit_a, lambda: held.because))
        return found

    def _taper(self, state: PackState) -> OwnLimit:
        """By a taper, while too little is learnt of the cells."""
        name, no = state.name, state.figures["cell_max_no"]
        over_v, volts = self._overvoltage_v(state), measured(state, "cell_max_v")
        return OwnLimit(
            "taper",
            charge_taper_a(volts, state.pack, self._bank, self._profile, over_v),
            lambda: (
                f"{name}'s cell {no:.0f} is at {volts:.3f} V, over-voltage is at {over_v:.2f} V"
            ),
        )

    def _voltage(self, state: PackState, headroom_a: float) -> OwnLimit:
        """By the first cell to come to its limit."""
        name, figures, settings = state.name, state.figures, self._bank.charge_limit
        over_v, volts = self._overvoltage_v(state), measured(state, "cell_max_v")
        no, first = figures["cell_max_no"], figures["charge_headroom_cell_no"]

        def because() -> str:
            is_at = f", now at {volts:.3f} V," if first == no else ""
            return (
                f"with more than {headroom_a:.3g} A {name}'s cell {first:.0f}{is_at} would pass "
                f"{over_v - settings.margin_v:.3f} V within {settings.horizon:.0f} s"
            )

        return OwnLimit("cell voltage", headroom_a, because)

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
        return OwnLimit(
            "re-anchoring",
            amps,
            lambda: f"{state.name} comes to the trip that re-anchors its BMS with little current",
        )


def bank_limits(bank: Bank, most_a: float) -> list[Part]:
    """What the bank may carry in either direction, whatever its packs allow."""
    found = [Part("bank maximum", most_a, f"the bank's own limit is {most_a:g} A")]
    if bank.bus_a is not None:
        found.append(Part("bus", bank.bus_a, f"busbar and wiring may carry {bank.bus_a:g} A"))
    return found


class FixedLimits:
    """Of each pack what the config says: its maximum, and what its fuse carries for hours."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[Pack, list[OwnLimit]]] = {}

    def of(self, state: PackState, most_a: float, verb: str) -> list[OwnLimit]:
        """Those of a pack that may take or give `most_a`; the list is the caller's."""
        known = self._known.get(state.name)
        if known is None or known[0] is not state.pack:
            known = self._known[state.name] = state.pack, _fixed(state, most_a, verb)
        return known[1].copy()


def _fixed(state: PackState, most_a: float, verb: str) -> list[OwnLimit]:
    name, rated_a = state.name, state.pack.fuse_a
    found = [OwnLimit("maximum", most_a, lambda: f"{name} may {verb} {most_a:g} A")]
    if rated_a is not None:
        amps = FUSE_PART * rated_a
        why = f"{name}'s fuse of {rated_a:g} A carries {amps:.3g} A for hours"
        found.append(OwnLimit("fuse", amps, lambda: why))
    return found


def carrying(state: PackState, own: Sequence[OwnLimit], direction: float = 1.0) -> Carrying:
    """The pack as it carries, with its own limits; `direction` is -1 for discharge."""
    figures = state.figures
    mohm, current_a = figures["horizon_mohm"], figures["current_a"]
    if not isinstance(current_a, float):
        current_a = measured(state, "current_a")
    return Carrying(
        state.name,
        direction * current_a,
        state.pack.nameplate_ah,
        mohm if isinstance(mohm, float) and mohm > 0.0 else None,
        own,
        least_of(own),
    )


def _cap(cap: Cap) -> OwnLimit:
    return OwnLimit(
        f"rule {cap.rule}",
        cap.limit_a,
        lambda: f"{cap.rule} is raised for {cap.pack} and caps it at {cap.limit_a:.3g} A",
        stops=cap.limit_a <= 0,
    )
