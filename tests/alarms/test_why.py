"""Why an alarm is as it is, as data: each part with value and limit, and the times that run."""

from __future__ import annotations

import json
from typing import Any

from tests.alarms.story import ALDER, NAMES, SPREAD, START, act, rule_of
from watchd.alarms.alarm import Alarm
from watchd.alarms.why import why
from watchd.figures import Figures
from watchd.publish import encode

HOT = """
- rule: pack-hot
  about: pack
  when: temperature_max_degc > 55 and not charge_allowed
  until: current_a < 0.05 * nameplate_ah
  priority: high
  say: "{pack}: {temperature_max_degc:.0f} °C"
"""
LOW = """
- rule: cell-low
  about: pack
  when: cell_min_v < 3 or 10 > soc_pct
  deadband: {cell_min_v: 0.1, soc_pct: 2}
  suppress_when: current_a < -100
  priority: high
  say: "{pack}"
"""
TRIPS = """
- rule: trips
  about: pack
  when: count(protection_trip, "1 h") >= 2
  re_alarm_time: 2 h
  priority: high
  say: "{pack}"
"""


class Asked:
    """An alarm that is looked at, and asked why."""

    def __init__(self, rule: str) -> None:
        self.alarm = Alarm(rule_of(rule), ALDER, NAMES, explains=True)
        self.figures: Figures = {}

    def see(self, at: float, **figures: Any) -> None:
        self.figures = figures
        self.alarm.evaluate(START + at, figures)

    def why(self, at: float) -> dict[str, Any]:
        """The answer, as it goes over the wire."""
        told: dict[str, Any] = json.loads(encode(why(self.alarm, self.figures, START + at)))
        return told


def test_an_on_delay_that_runs() -> None:
    asked = Asked(SPREAD)
    asked.see(0, cell_spread_mv=20.0)
    asked.see(30, cell_spread_mv=55.0)
    asked.see(50, cell_spread_mv=56.0)
    assert asked.why(60) == {
        "alarm": "cell-spread-wide/pack/alder",
        "state": "normal",
        "condition": "normal",
        "priority": "medium",
        "text": "",
        "raised_s": None,
        "changed_s": None,
        "occurrences": 0,
        "unknown": [],
        "conditions": {
            "when": {
                "text": "cell_spread_mv > 40",
                "holds": True,
                "for_s": 30,
                "figure": "cell_spread_mv",
                "value": 56,
                "operator": ">",
                "limit": 40,
                "unit": "mV",
            }
        },
        "waits": [{"what": "on_delay", "of_s": 60, "left_s": 30, "runs": True}],
    }


def test_a_delay_that_stands_still_because_a_figure_is_unknown() -> None:
    asked = Asked(SPREAD)
    asked.see(0, cell_spread_mv=55.0)
    asked.see(20, cell_spread_mv=None)
    told = asked.why(500)
    assert told["waits"] == [{"what": "on_delay", "of_s": 60, "left_s": 40, "runs": False}]
    assert told["unknown"] == ["cell_spread_mv"]
    condition = told["conditions"]["when"]
    assert (condition["holds"], condition["value"], condition["for_s"]) == (None, None, 480)


def test_raised_with_a_deadband_it_tells_the_limit_of_return() -> None:
    asked = Asked(SPREAD)
    asked.see(0, cell_spread_mv=55.0)
    asked.see(60, cell_spread_mv=55.0)
    asked.see(70, cell_spread_mv=35.0)
    told = asked.why(100)
    assert list(told["conditions"]) == ["stays"]
    stays = told["conditions"]["stays"]
    assert (stays["holds"], stays["value"]) == (True, 35)
    assert (stays["limit"], stays["deadband"]) == (30, 10)
    assert (told["raised_s"], told["changed_s"]) == (40, 40)
    assert told["waits"] == []
    asked.see(110, cell_spread_mv=25.0)
    assert asked.why(115)["waits"] == [
        {"what": "off_delay", "of_s": 30, "left_s": 25, "runs": True}
    ]


def test_the_deadband_of_a_low_limit_lies_above_it_also_where_the_limit_stands_left() -> None:
    asked = Asked(LOW)
    asked.see(0, cell_min_v=2.9, soc_pct=9.0, current_a=0.0)
    told = asked.why(5)
    assert list(told["conditions"]) == ["stays", "suppress_when"]
    stays = told["conditions"]["stays"]
    assert (stays["joined"], stays["holds"]) == ("any", True)
    volts, soc = stays["parts"]
    assert (volts["operator"], volts["limit"], volts["unit"]) == ("<", 3.1, "V")
    assert (soc["figure"], soc["operator"], soc["limit"]) == ("soc_pct", "<", 12)
    assert told["conditions"]["suppress_when"]["holds"] is False


def test_normal_it_tells_of_what_would_raise_it_without_deadband() -> None:
    asked = Asked(LOW)
    asked.see(0, cell_min_v=3.05, soc_pct=11.0, current_a=-120.0)
    told = asked.why(5)
    assert list(told["conditions"]) == ["when", "suppress_when"]
    volts, soc = told["conditions"]["when"]["parts"]
    assert (volts["limit"], soc["limit"]) == (3, 10)
    assert "deadband" not in volts
    assert (told["state"], told["condition"]) == ("suppressed_by_design", "normal")
    suppress = told["conditions"]["suppress_when"]
    assert (suppress["holds"], suppress["value"], suppress["limit"]) == (True, -120, -100)


def test_until_stands_beside_what_raised_it_with_the_limit_reckoned_out() -> None:
    asked = Asked(HOT)
    figures: Figures = {"charge_allowed": False, "nameplate_ah": 200.0}
    asked.see(0, temperature_max_degc=50.0, current_a=40.0, **figures)
    assert list(asked.why(0)["conditions"]) == ["when"]  # what ends it matters when it is raised
    asked.see(10, temperature_max_degc=60.0, current_a=40.0, **figures)
    asked.see(20, temperature_max_degc=50.0, current_a=None, **figures)
    told = asked.why(20)
    when, until = told["conditions"]["when"], told["conditions"]["until"]
    assert (when["joined"], when["holds"]) == ("all", False)
    hot, denied = when["parts"]
    assert (hot["value"], hot["limit"], hot["unit"]) == (50, 55, "°C")
    # A figure that is yes or no has no limit.
    assert denied["joined"] == "not"
    (allowed,) = denied["parts"]
    assert (allowed["figure"], allowed["value"], allowed["holds"]) == (
        "charge_allowed", False, False,
    )  # fmt: skip
    assert (until["limit"], until["limit_from"]) == (10, "0.05 * nameplate_ah")
    assert (until["holds"], until["value"]) == (None, None)
    assert told["unknown"] == ["current_a"]


def test_a_window_is_told_with_its_value() -> None:
    asked = Asked(TRIPS)
    for at, trip in ((0, False), (60, True), (120, False), (180, True)):
        asked.see(at, protection_trip=trip)
    told = asked.why(180)
    when = told["conditions"]["when"]
    assert (when["value"], when["operator"], when["limit"]) == (2, ">=", 2)
    assert told["waits"] == [{"what": "re_alarm_time", "left_s": 7200, "runs": True}]


def test_a_shelf_waits_for_its_end_and_nobody_is_told_again_meanwhile() -> None:
    asked = Asked(TRIPS)
    for at, trip in ((0, False), (60, True), (90, False), (120, True)):
        asked.see(at, protection_trip=trip)
    act(asked.alarm, 300, "shelve")
    told = asked.why(500)
    assert told["waits"] == [{"what": "shelved", "left_s": 7000, "runs": True}]
    assert (told["state"], told["condition"]) == ("shelved", "unacknowledged")
    assert (told["raised_s"], told["changed_s"]) == (380, 200)


def test_each_part_has_an_age_of_its_own_to_ten_seconds() -> None:
    asked = Asked(LOW)
    for at in range(0, 100, 5):
        asked.see(
            at,
            cell_min_v=3.3 if at < 40 else 3.2,
            soc_pct=50.0 if at < 62 else 11.0,
            current_a=-120.0 if at < 21 else 0.0,
        )
    told = asked.why(100)
    volts, soc = told["conditions"]["when"]["parts"]
    assert (volts["for_s"], soc["for_s"]) == (100, 100)  # neither has come to hold
    assert told["conditions"]["suppress_when"]["for_s"] == 75  # a transition is looked at at once
    asked.see(100, cell_min_v=3.2, soc_pct=9.0, current_a=0.0)
    asked.see(110, cell_min_v=2.9, soc_pct=9.0, current_a=0.0)
    asked.see(120, cell_min_v=2.9, soc_pct=9.0, current_a=0.0)
    volts, soc = asked.why(120)["conditions"]["stays"]["parts"]
    # 11 % would not raise it, but it is below what raised it and its deadband since 65 s.
    assert (volts["for_s"], soc["for_s"]) == (10, 55)


def test_ages_go_on_over_a_restart() -> None:
    asked = Asked(LOW)
    asked.see(0, cell_min_v=2.9, soc_pct=50.0, current_a=0.0)
    saved = json.loads(json.dumps(asked.alarm.snapshot()))
    asked.alarm = Alarm(asked.alarm.rule, ALDER, NAMES, saved, explains=True)
    asked.see(30, cell_min_v=2.9, soc_pct=50.0, current_a=0.0)
    told = asked.why(40)
    volts, soc = told["conditions"]["stays"]["parts"]
    assert (volts["for_s"], soc["for_s"]) == (40, 40)
    assert (told["raised_s"], told["changed_s"]) == (40, 40)


def test_without_ages_all_else_is_told() -> None:
    asked = Asked(LOW)
    asked.alarm = Alarm(asked.alarm.rule, ALDER, NAMES)
    asked.see(0, cell_min_v=2.9, soc_pct=50.0, current_a=0.0)
    volts, _ = asked.why(10)["conditions"]["stays"]["parts"]
    assert (volts["for_s"], volts["value"]) == (None, 2.9)


def test_before_anything_was_seen() -> None:
    told = Asked(TRIPS).why(0)
    when = told["conditions"]["when"]
    assert (when["holds"], when["value"], when["for_s"]) == (None, None, 0)
    assert told["waits"] == []
