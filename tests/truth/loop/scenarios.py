"""The mornings on which a controller is tried. The numbers are invented."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.truth.bank import Array, Bank, healthy

CHARGER_C_RATE = 0.3  # of the whole bank
PACK_C_RATE = 0.5  # what a pack may take
LEADER = 6  # 0-based; which cell is ahead, and whose joint is bad


@dataclass(frozen=True, slots=True)
class Opening:
    """A BMS stops the charge for a reason of its own, once."""

    pack: int
    after_c: float  # when the bank has taken so much of its nameplate capacity
    for_s: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """A bank, and the morning on which it is charged."""

    name: str
    change: Callable[[Bank], None] = lambda _: None
    nameplate_ah: tuple[float, ...] = (230.0, 280.0, 100.0)
    cloudy: bool = False
    degc: tuple[float, float] = (16.0, 18.0)  # of the cells, at the start and the end
    # From so many degC on, rising, a pack may take so much of its capacity; below the first none.
    bands: tuple[tuple[float, float], ...] = ((0.0, PACK_C_RATE),)
    opening: Opening | None = None
    hours: float = 3.0

    @property
    def charger_a(self) -> float:
        """What the charger gives at most."""
        return CHARGER_C_RATE * sum(self.nameplate_ah)

    @property
    def seconds(self) -> int:
        """Length of the window."""
        return round(self.hours * 3600.0)

    def bank(self) -> Bank:
        """The bank, at about 60 %."""
        bank = healthy(1, self.nameplate_ah, first_seed=11)
        bank.charge += 0.6 - bank.charge.mean()
        bank.balancer_a[:] = 0.4
        self.change(bank)
        return bank

    def degc_at(self, second: float) -> float:
        """Temperature of the cells."""
        begin, end = self.degc
        return begin + (end - begin) * min(second / self.seconds, 1.0)

    def pack_c_rate(self, degc: float) -> float:
        """What a pack may take at a temperature, as a part of its capacity."""
        rates = [rate for begin, rate in self.bands if degc >= begin]
        return min(PACK_C_RATE, rates[-1]) if rates else 0.0

    def sun_a(self) -> Array:
        """What the sun allows, second by second."""
        return self.charger_a * (self._clouds() if self.cloudy else np.ones(self.seconds))

    def _clouds(self) -> Array:
        rng = np.random.default_rng(zlib.crc32(self.name.encode()))
        sun, second = np.ones(self.seconds), 0
        while second < self.seconds:
            second += int(rng.uniform(60, 300))
            long = int(rng.uniform(15, 120))
            sun[second : second + long] = rng.uniform(0.1, 0.2)
            second += long
        # The edge of a cloud takes some seconds.
        return np.convolve(np.pad(sun, (3, 0), mode="edge"), np.full(4, 0.25), "valid")


def _ahead(pack: int, part: float) -> Callable[[Bank], None]:
    def change(bank: Bank) -> None:
        bank.charge[0, pack, LEADER] += part

    return change


def _bad_joint(bank: Bank) -> None:
    bank.joint_mohm[0, 1, LEADER] = 0.9


def _bad_joint_ahead(bank: Bank) -> None:
    _bad_joint(bank)
    bank.charge[0, 1, LEADER] += 0.005


def _old_pack(bank: Bank) -> None:
    bank.ohmic_mohm[0, 2] *= 1.5
    bank.relaxing_mohm[0, 2] *= 1.5
    bank.charge[0, 0, LEADER] += 0.01


_ALL = (
    Scenario("balanced"),
    Scenario("ahead-1", _ahead(0, 0.01)),
    Scenario("ahead-3", _ahead(0, 0.03)),
    Scenario("ahead-5", _ahead(0, 0.05)),
    Scenario("joint", _bad_joint),
    Scenario("joint-ahead", _bad_joint_ahead),
    Scenario("half-pack", _old_pack, nameplate_ah=(230.0, 230.0, 115.0)),
    Scenario("cold", _ahead(0, 0.01), degc=(3.0, 14.0)),
    Scenario(
        "cold-window",
        _ahead(0, 0.01),
        degc=(3.0, 14.0),
        bands=((2.0, 0.1), (5.0, 0.2), (8.0, PACK_C_RATE)),
        hours=3.5,
    ),
    Scenario("clouds", _ahead(0, 0.01), cloudy=True, hours=4.0),
    Scenario("opening", _ahead(1, 0.01), opening=Opening(0, 0.375, 300.0)),
)
SCENARIOS = {scenario.name: scenario for scenario in _ALL}
