"""The digest of a rule: an alarm keeps its state over an edit that does not bear on it."""

from __future__ import annotations

from typing import Any

import pytest
import yaml

from watchd.rules.loader import RuleEntry, compile_rules
from watchd.rules.rule import Rule

SPREAD: dict[str, Any] = {
    "rule": "cell-spread-wide",
    "about": "pack",
    "when": "cell_spread_mv > 40",
    "on_delay": "2 min",
    "off_delay": "10 min",
    "deadband": {"cell_spread_mv": 10},
    "priority": "medium",
    "say": "{pack}: {cell_spread_mv:.0f} mV apart",
    "cause": "A cell ahead of the others.",
}
KEPT: list[dict[str, Any]] = [
    {"say": "{pack}: the cells are {cell_spread_mv:.1f} mV apart"},
    {"cause": "A balancer that does not keep up."},
    {"consequence": "The leading cell trips the pack."},
    {"response": "Hold the charge current down."},
    {"title": "{pack}: cells apart"},
    {"caution": "Isolate the pack first."},
    {"priority": "high"},
    {"charge_limit": "0.1 * nameplate_ah"},
    {"examples": [{"given": {"cell_spread_mv": 55}, "lasting": "3 min", "expect": "raised"}]},
    {"on_delay": "120 s"},
    {"suppress_when": "protection_trip"},
    {"re_alarm_time": "8 h"},
    {"group": "top-of-charge"},
    {"annunciate": False},
    {"disabled": True},
]
CHANGED: list[dict[str, Any]] = [
    {"rule": "cell-spread-wider"},
    {"about": "cell"},
    {"when": "cell_spread_mv > 41"},
    {"when": "cell_spread_mv >= 40"},
    {"on_delay": "3 min"},
    {"off_delay": "11 min"},
    {"deadband": {"cell_spread_mv": 11}},
    {"deadband": {}},
    {"deadband": {}, "until": "cell_spread_mv < 30"},
    {"latching": True},
]


def compiled(**edited: Any) -> Rule:
    """The rule as it stands in a file after an edit."""
    (rule,) = compile_rules([("cells.yaml", yaml.safe_dump([{**SPREAD, **edited}]))])
    return rule


def identify(edited: dict[str, Any]) -> str:
    return ", ".join(f"{key}: {value}" for key, value in edited.items())


@pytest.mark.parametrize("edited", KEPT, ids=identify)
def test_an_edit_that_keeps_the_state(edited: dict[str, Any]) -> None:
    assert compiled(**edited).digest == compiled().digest


@pytest.mark.parametrize("edited", CHANGED, ids=identify)
def test_an_edit_that_begins_anew(edited: dict[str, Any]) -> None:
    assert compiled(**edited).digest != compiled().digest


def test_every_key_is_one_or_the_other() -> None:
    edited = {key for edits in (KEPT, CHANGED) for edit in edits for key in edit}
    assert edited == set(RuleEntry.model_fields)


def test_neither_the_file_nor_the_order_of_keys_bears_on_it() -> None:
    turned = yaml.safe_dump([dict(reversed(SPREAD.items()))], sort_keys=False)
    (rule,) = compile_rules([("elsewhere.yaml", f"# moved\n\n{turned}")])
    assert rule.digest == compiled().digest
    assert rule.place != compiled().place


def test_rules_that_differ_only_in_their_name_differ() -> None:
    rules = [compiled(rule=name) for name in ("a", "b", "c")]
    assert len({rule.digest for rule in rules}) == 3
