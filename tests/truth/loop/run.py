"""One morning: the bank, its charger and a controller, second by second, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.truth.bank import Array
from tests.truth.loop.controllers import Controller, Watchd
from tests.truth.loop.learning import Start
from tests.truth.loop.plant import Plant
from tests.truth.loop.scenarios import Scenario
from tests.truth.loop.telemetry import document
from tests.truth.ocv import ocv_v

TELEMETRY_EVERY_S = 5
# The end of charge, see `End`.
TAIL_C_RATE, HOLD_S, TOP_V, SUN_C_RATE = 0.05, 300, 3.40, 0.1


@dataclass(slots=True)
class Outcome:
    """What came of a charge. Arrays by second."""

    trips: int  # over-voltage; not what a scenario opens
    highest_v: float
    end_s: int  # the end of charge, or of the window
    ended: bool
    end_ah: float  # charge into the bank until then
    bank_ah: Array  # charge into the bank so far
    current_a: Array  # [seconds, packs]
    high_v: Array  # highest cell
    limit_a: Array  # what was obeyed
    beyond_ah: float  # charge of packs beyond their maximum and temperature band
    rises: tuple[int, float]  # of what watchd published until the end: how many, their sum in A

    def seconds_to(self, amp_hours: float) -> int | None:
        """When the bank had taken so much; None if it never had."""
        found = int(np.searchsorted(self.bank_ah, amp_hours))
        return found if found < len(self.bank_ah) else None


class End:
    """The end of charge, the same for every controller.

    It is the beginning of the first `HOLD_S` seconds in which each pack that may charge took less
    than `TAIL_C_RATE` of its nameplate capacity, though
    - the sun would have given more: seconds under a cloud do not count, neither for it nor against;
    - the bank is at the top: some cell that may be charged has an open-circuit voltage of `TOP_V`
      or more. That is a matter of charge, not of current, so that a bad joint, a cold morning or
      a controller that suggests nothing is no top;
    - no BMS stops the charge for a reason of its own: its pack has yet to be charged.
    A controller that stops early may well be at its end. What it has not delivered by then tells.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._enough_sun_a = SUN_C_RATE * sum(scenario.nameplate_ah)
        self._since: int | None = None
        self._held_s = 0
        self.at_s: int | None = None

    def look(self, second: int, plant: Plant, sun_a: float) -> None:
        """After a step."""
        if self.at_s is not None or sun_a < self._enough_sun_a:
            return
        charging = ~plant.tripped
        tail = plant.current_a < TAIL_C_RATE * plant.bank.nameplate_ah
        if not (tail | plant.tripped).all() or plant.opened.any() or not charging.any():
            self._since, self._held_s = None, 0
            return
        highest = np.array([plant.cells.charge[charging].max()])
        if ocv_v(highest)[0][0] < TOP_V:
            return
        if self._since is None:
            self._since = second
        self._held_s += 1
        if self._held_s >= HOLD_S:
            self.at_s = self._since


def run(scenario: Scenario, start: Start, controller: Controller) -> Outcome:
    """The morning of `scenario` under `controller`; `start` is left as it was."""
    plant = start.plant.at_pace(1.0, balances=True)
    rng = np.random.default_rng(9)
    sun_a, end, opens = scenario.sun_a(), End(scenario), _Opening(scenario)
    seconds, packs = scenario.seconds, len(scenario.nameplate_ah)
    current_a, high_v = np.zeros((seconds, packs)), np.zeros(seconds)
    limit_a, beyond_ah = np.zeros(seconds), 0.0
    nameplate_ah = np.array(scenario.nameplate_ah)
    for second in range(seconds):
        at = start.at + second
        moved_ah = float(current_a[:second].sum()) / 3600.0 if second % 60 == 0 else None
        plant.look(scenario.degc_at(second), opens.now(second, moved_ah))
        limit_a[second] = controller.limit_a(at, plant)
        plant.step(min(float(sun_a[second]), limit_a[second]))
        current_a[second], high_v[second] = plant.current_a[0], plant.cell_v.max()
        allowed_a = scenario.pack_c_rate(plant.degc) * nameplate_ah
        beyond_ah += float(np.maximum(current_a[second] - allowed_a, 0.0).sum()) / 3600.0
        # The bridges send a second apart.
        pack = (second + 1) % TELEMETRY_EVERY_S
        if pack < packs:
            controller.hear(at + 1.0, [document(plant, pack, rng)])
        end.look(second, plant, float(sun_a[second]))
    bank_ah = current_a.sum(axis=1).cumsum() / 3600.0
    end_s = seconds - 1 if end.at_s is None else end.at_s
    return Outcome(
        trips=plant.trips,
        highest_v=float(high_v.max()),
        end_s=end_s,
        ended=end.at_s is not None,
        end_ah=float(bank_ah[end_s]),
        bank_ah=bank_ah,
        current_a=current_a,
        high_v=high_v,
        limit_a=limit_a,
        beyond_ah=beyond_ah,
        rises=_rises(controller, start.at + end_s),
    )


class _Opening:
    def __init__(self, scenario: Scenario) -> None:
        self._opening = scenario.opening
        self._packs = len(scenario.nameplate_ah)
        self._nameplate_ah = sum(scenario.nameplate_ah)
        self._from_s: int | None = None

    def now(self, second: int, moved_ah: float | None) -> Array:
        opened = np.zeros((1, self._packs), bool)
        what = self._opening
        if what is None:
            return opened
        begins = moved_ah is not None and moved_ah >= what.after_c * self._nameplate_ah
        if begins and self._from_s is None:
            self._from_s = second
        if self._from_s is not None:
            opened[0, what.pack] = second - self._from_s < what.for_s
        return opened


def _rises(controller: Controller, until: float) -> tuple[int, float]:
    if not isinstance(controller, Watchd):
        return 0, 0.0
    amps = [a for at, a in controller.said if at <= until and a is not None]
    found = [b - a for a, b in pairwise(amps) if b - a > 1.0]
    return len(found), sum(found)
