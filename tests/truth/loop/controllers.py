"""What tells the charger how much it may give: watchd, one that knows everything, and baselines.

Each is asked every second (`limit_a`) and hears every document that a bridge sends (`hear`).
"""

from __future__ import annotations

import json
from collections import deque
from typing import Any, Protocol

import numpy as np

from tests.truth.loop.plant import Plant
from tests.truth.loop.scenarios import Scenario
from watchd.advice.advice import Kind
from watchd.config import Config
from watchd.engine import Engine
from watchd.loading import load_rules, shipped
from watchd.publish import Publish, Topics

NO_LIMIT_A = 1e9
RULES = load_rules(shipped("rules"))


class Controller(Protocol):
    """How the loop uses one."""

    def limit_a(self, at: float, plant: Plant) -> float:
        """What the bank may take during the coming second; `plant` has looked."""

    def hear(self, at: float, documents: list[tuple[str, bytes]]) -> None:
        """What the bridges sent at `at`."""


class Fixed:
    """The same, always; no limit if not told."""

    def __init__(self, amps: float = NO_LIMIT_A) -> None:
        self._amps = amps

    def limit_a(self, at: float, plant: Plant) -> float:  # noqa: ARG002
        """The same."""
        return self._amps

    def hear(self, at: float, documents: list[tuple[str, bytes]]) -> None:
        """Nothing of it matters."""


class Clairvoyant:
    """Knows all of the bank at once and without noise: the most that no cell's voltage forbids.

    Cell and pack voltages at the end of the step are linear in the current of a pack, and that is
    linear in the bus voltage (Millman), so the pack that allows the lowest bus voltage rules.
    """

    def __init__(self, scenario: Scenario, below_overvoltage_v: float = 0.002) -> None:
        self._scenario, self._margin_v = scenario, below_overvoltage_v

    def limit_a(self, at: float, plant: Plant) -> float:  # noqa: ARG002
        """The most."""
        bank = plant.bank
        rate = self._scenario.pack_c_rate(plant.degc)
        room = (bank.overvoltage_v[..., None] - self._margin_v - plant.source_v) / plant.ohm
        pack_a = np.minimum(room.min(axis=2), rate * bank.nameplate_ah)
        source, ohm = plant.source_v.sum(axis=2), plant.ohm.sum(axis=2)
        allowed_v = np.where(plant.blocked, np.inf, source + ohm * pack_a)
        volts = allowed_v.min()
        if not np.isfinite(volts):
            return 0.0
        conducts = ~plant.blocked | (source > volts)
        return max(0.0, float((((volts - source) / ohm) * conducts).sum()))

    def hear(self, at: float, documents: list[tuple[str, bytes]]) -> None:
        """It knows better."""


class Late:
    """What was said takes effect `delay_s` later, and not later than something said after it."""

    def __init__(self, delay_s: float, now_a: float = NO_LIMIT_A) -> None:
        self._delay_s, self._now_a = delay_s, now_a
        self._coming: deque[tuple[float, float]] = deque()

    def say(self, at: float, amps: float) -> None:
        """Something new is said."""
        self._coming.append((at + self._delay_s, amps))

    def now_a(self, at: float) -> float:
        """What holds now."""
        while self._coming and self._coming[0][0] <= at:
            self._now_a = self._coming.popleft()[1]
        return self._now_a


class Taper:
    """A fixed table over the bank's highest cell, obeyed late (common practice, no source).

    It keeps to the temperature bands as well.
    """

    VOLTS = (3.40, 3.45, 3.50, 3.55, 3.60)
    PARTS = (1.00, 0.50, 0.20, 0.08, 0.0)

    def __init__(self, scenario: Scenario, delay_s: float) -> None:
        self._scenario = scenario
        self._late = Late(delay_s)
        self._highest_mv: dict[str, float] = {}

    def limit_a(self, at: float, plant: Plant) -> float:  # noqa: ARG002
        """As the table had it."""
        return self._late.now_a(at)

    def hear(self, at: float, documents: list[tuple[str, bytes]]) -> None:
        """Look it up."""
        for topic, payload in documents:
            data, scenario = json.loads(payload), self._scenario
            self._highest_mv[topic] = max(data["mv"])
            volts = max(self._highest_mv.values()) / 1000.0
            part = float(np.interp(volts, self.VOLTS, self.PARTS))
            band_a = scenario.pack_c_rate(data["temp"]) * sum(scenario.nameplate_ah)
            self._late.say(at, min(part * scenario.charger_a, band_a))


class Watchd:
    """The real engine; the charger obeys what it publishes, late.

    What is withdrawn or has expired leaves the charger at its own maximum. `said` has what was
    published: time and amps (None: withdrawn); `now_a` is what was said before and still holds.
    """

    def __init__(
        self,
        config: Config,
        delay_s: float,
        state: dict[str, Any] | None = None,
        now_a: float | None = None,
    ) -> None:
        self.engine = Engine(config, RULES, state=state, explains=False)
        self.said: list[tuple[float, float | None]] = []
        self._topic = Topics(config.prefix).advice_number(Kind.CHARGE_LIMIT, "hut")
        self._late = Late(delay_s, NO_LIMIT_A if now_a is None else now_a)
        self._until = float("inf")

    def limit_a(self, at: float, plant: Plant) -> float:  # noqa: ARG002
        """What is obeyed now."""
        self._take(at, self.engine.tick(at))
        if at >= self._until:
            self._until = float("inf")
            self._say(at, None)
        return self._late.now_a(at)

    def hear(self, at: float, documents: list[tuple[str, bytes]]) -> None:
        """The engine is fed."""
        for topic, payload in documents:
            self._take(at, self.engine.feed(topic, payload, at))

    def _take(self, at: float, messages: list[Publish]) -> None:
        for message in messages:
            if message.topic == self._topic:
                self._until = at + (message.expires_in_s or float("inf"))
                self._say(at, float(message.payload) if message.payload else None)

    def _say(self, at: float, amps: float | None) -> None:
        self.said.append((at, amps))
        self._late.say(at, NO_LIMIT_A if amps is None else amps)
