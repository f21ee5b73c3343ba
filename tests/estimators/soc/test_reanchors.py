"""Where a BMS sets itself to 100 %: learned from full charges, honest about what tells nothing."""

from __future__ import annotations

import json
from typing import Any

from tests.estimators.moment import sample, setting
from watchd.estimators.soc.reanchors import Reanchors
from watchd.figures import Figures


class Bms:
    """A BMS through full charges."""

    def __init__(self, charge_voltage_v: float = 56.0, saved: Any = None) -> None:
        self.learned = Reanchors(setting(charge_voltage_v=charge_voltage_v), saved)
        self.seconds = 0.0
        self.figures: Figures = {}

    def look(
        self,
        soc_pct: float | None,
        *,
        state: str | None = "CHARGING",
        set_now: bool = False,
        volts: float = 56.0,
        trip: bool = False,
        absorbed_h: float = 1.0,
        seconds: float = 60.0,
    ) -> Bms:
        self.seconds += seconds
        self.figures |= {
            "bms_reanchored": set_now,
            "charge_state": state,
            "absorption_h": absorbed_h,
        }
        events = ("OVER_VOLT",) if trip else ()
        told = sample(self.seconds, soc_pct=soc_pct, voltage_v=volts, protection=events)
        self.learned.update(told, self.figures)
        return self

    def misses(self, times: int = 1, *, shown: float = 90.0, absorbed_h: float = 1.0) -> Bms:
        """Full charges at whose end it shows so much."""
        for _ in range(times):
            self.look(shown, state="FULL", absorbed_h=absorbed_h)
            self.look(shown - 2, state="DISCHARGING", volts=53.0, absorbed_h=absorbed_h)
        return self

    def sets_itself(self, **how: Any) -> Bms:
        return self.look(100.0, set_now=True, **how).look(100.0, seconds=120)

    def restarted(self, charge_voltage_v: float = 56.0) -> Bms:
        saved = json.loads(json.dumps(self.learned.snapshot()))
        again = Bms(charge_voltage_v, saved)
        again.seconds = self.seconds
        return again

    @property
    def at(self) -> Any:
        return self.figures["reanchors_at"]

    @property
    def missed(self) -> Any:
        return self.figures["full_charges_missed"]


def test_nothing_is_known_of_a_new_pack() -> None:
    bms = Bms().look(80.0)
    assert (bms.at, bms.missed) == (None, 0)


def test_at_the_charge_voltage_with_how_long_it_took() -> None:
    bms = Bms().sets_itself(absorbed_h=0.75)
    assert bms.at == "charge_voltage"
    assert bms.figures["reanchored_at_charge_voltage"] == 1
    assert bms.figures["absorption_reanchored_h"] == 0.75


def test_by_an_over_voltage_trip_also_when_it_shows_after_the_trip() -> None:
    assert Bms().sets_itself(trip=True).at == "over_voltage"
    assert Bms().look(90, trip=True).sets_itself(seconds=540).at == "over_voltage"
    assert Bms().look(90, trip=True).sets_itself(seconds=700).at == "charge_voltage"


def test_below_the_charge_voltage_or_at_the_low_end_it_tells_nothing() -> None:
    assert Bms().sets_itself(volts=54.0).at is None
    assert Bms().look(5.0, set_now=True).at is None


def test_one_that_is_shown_for_a_minute_counts_once() -> None:
    bms = Bms().look(100, set_now=True)
    bms.look(100, set_now=True, seconds=10).look(100, set_now=True, seconds=10)
    assert bms.figures["reanchored_at_charge_voltage"] == 1


def test_never_only_after_three_full_charges_without() -> None:
    bms = Bms().misses(2)
    assert (bms.at, bms.missed) == (None, 2)
    assert bms.misses().at == "never"


def test_a_bms_that_shows_full_has_nothing_to_set() -> None:
    bms = Bms().misses(5, shown=99.0)
    assert (bms.at, bms.missed) == (None, 0)
    # One that comes to 99 % during the full charge, and has left it by its end.
    bms.look(97, state="FULL").look(99.0, state="FULL").look(98.5, state="FULL")
    assert bms.look(98, state="DISCHARGING").missed == 0
    assert bms.misses(shown=98.9).missed == 1


def test_a_full_charge_without_a_state_of_charge_does_not_count() -> None:
    bms = Bms().look(None, state="FULL").look(None, state="DISCHARGING")
    assert bms.missed == 0


def test_an_unknown_current_does_not_end_a_full_charge() -> None:
    bms = Bms().look(90, state="FULL").look(90, state=None).look(90, state="FULL")
    assert bms.missed == 0


def test_the_longest_absorption_that_did_not_do() -> None:
    bms = Bms().misses(absorbed_h=2.5).misses(absorbed_h=1.0)
    assert bms.figures["absorption_missed_h"] == 2.5
    assert bms.sets_itself().figures["absorption_missed_h"] is None


def test_what_was_seen_once_is_taken_back_after_three_misses() -> None:
    bms = Bms().sets_itself().misses(2)
    assert bms.at == "charge_voltage"
    assert bms.misses().at == "never"
    assert Bms().sets_itself(trip=True).misses(9).at == "over_voltage"


def test_another_charge_voltage_begins_anew_but_trips_stay() -> None:
    bms = Bms().sets_itself().sets_itself(trip=True, seconds=4000).misses(2)
    same, other = bms.restarted().look(80), bms.restarted(55.2).look(80)
    assert (same.at, same.missed) == ("charge_voltage", 2)
    assert (other.at, other.missed) == ("over_voltage", 0)
