"""Packs, charger and loads on one busbar."""

from collections.abc import Sequence

from demo.skerry.charger import Charger
from demo.skerry.network import Shared, at_current, at_voltage
from demo.skerry.pack import Pack


class Bank:
    """The state of the busbar and all that hangs on it."""

    __slots__ = ("bus_v", "charger", "packs")

    def __init__(self, packs: Sequence[Pack], charger: Charger) -> None:
        self.packs = tuple(packs)
        self.charger = charger
        self.bus_v = at_current(
            [pack.branch for pack in self.packs], 0.0, open_v=charger.charge_voltage_v
        ).bus_v

    @property
    def current_a(self) -> float:
        """Current into the bank."""
        return sum(pack.current_a for pack in self.packs)

    def step(
        self,
        *,
        sun_w: float,
        load_w: float,
        limit_a: float | None,
        lasting_s: float,
        ambient_degc: float,
    ) -> None:
        """Share the current of a moment between the packs and let it flow.

        `limit_a` caps the current into the bank, not the charger's own: the charger reads a shunt
        in the bank's cable, and carries the loads on top.
        """
        load_a = load_w / self.bus_v
        offered_a = self.charger.available_a(sun_w, self.bus_v) - load_a
        if limit_a is not None:
            offered_a = min(offered_a, max(limit_a, 0.0))
        shared = self._settle(offered_a, load_a)
        self.bus_v = shared.bus_v
        for pack, current_a in zip(self.packs, shared.currents_a, strict=True):
            pack.step(current_a, lasting_s, ambient_degc)

    def _settle(self, offered_a: float, load_a: float) -> Shared:
        branches = [pack.branch for pack in self.packs]
        ceiling_v = self.charger.charge_voltage_v
        shared = at_current(branches, offered_a, open_v=ceiling_v)
        if shared.bus_v <= ceiling_v:
            return shared
        shared = at_voltage(branches, ceiling_v)
        if shared.total_a >= -load_a:
            return shared
        # Packs above the charge voltage carry the loads alone, and the charger rests.
        return at_current(branches, -load_a, open_v=ceiling_v)
