"""The cases about each limit and delay, made from the rule itself."""

from __future__ import annotations

import pytest

from tests.rules.shipped_rules import RULES
from watchd.rules.boundaries import Boundaries, Boundary, boundaries_of
from watchd.rules.loader import compile_rules

SPREAD = """
- rule: spread
  when: >-
    cell_spread_mv > 40 and current_a < 0.1 * nameplate_ah
    and cell_max_v >= overvoltage_v - 0.05
  on_delay: 2 min
  off_delay: 10 min
  deadband: {cell_spread_mv: 10}
  priority: low
  say: x
  examples:
    - {given: {cell_spread_mv: 39, current_a: 5, cell_max_v: 3.64}, lasting: 3 min, expect: quiet}
    - {given: {cell_spread_mv: 55, current_a: 5, cell_max_v: 3.64, overvoltage_v: 3.65},
       lasting: 3 min, expect: raised}
"""


def boundaries(text: str) -> Boundaries:
    (rule,) = compile_rules([("rules.yaml", text)])
    return boundaries_of(rule)


def rule_of(when: str, given: str, **keys: str) -> str:
    more = "".join(f"  {key}: {value}\n" for key, value in keys.items())
    return (
        f"- rule: r\n  when: '{when}'\n  priority: low\n  say: x\n{more}"
        f"  examples:\n    - {{given: {given}, lasting: 1 h, expect: raised}}\n"
    )


def shown(found: Boundary) -> tuple[str, str]:
    """What a value comes to, and what a raised alarm does then."""
    return (
        ", ".join(f"{c.value} {'raised' if c.raised else 'quiet'}" for c in found.cases),
        ", ".join(f"{c.value} {'stays' if c.raised else 'returns'}" for c in found.returns),
    )


def test_each_limit_and_delay_of_a_rule() -> None:
    found = boundaries(SPREAD)
    assert {b.about: shown(b) for b in found.found} == {
        "cell_spread_mv > 40": (
            "39 mV quiet, 40 mV quiet, 41 mV raised",
            "31 mV stays, 30 mV returns",
        ),
        # 280 Ah are those of the pack of examples.
        "current_a < 0.1 * nameplate_ah": (
            "28.1 A quiet, 28 A quiet, 27.9 A raised",
            "27.9 A stays, 28 A returns",
        ),
        # The example's own threshold, not the usual one.
        "cell_max_v >= overvoltage_v - 0.05": (
            "3.599 V quiet, 3.6 V raised, 3.601 V raised",
            "3.6 V stays, 3.599 V returns",
        ),
        "on_delay: 2 min": ("1 s less quiet, 2 min raised", ""),
        "off_delay: 10 min": ("", "1 s less stays, 10 min returns"),
    }
    assert {b.example for b in found.found} == {2}
    assert found.count == 19
    assert all(b.note == "" for b in found.found)


@pytest.mark.parametrize(
    ("when", "given", "first", "returns"),
    [
        (
            "cell_max_v > 3.5",
            "{cell_max_v: 3.6}",
            "3.499 V quiet, 3.5 V quiet, 3.501 V raised",
            "3.501 V stays, 3.5 V returns",
        ),
        (
            "cell_max_v <= 3.5",
            "{cell_max_v: 3}",
            "3.501 V quiet, 3.5 V raised, 3.499 V raised",
            "3.5 V stays, 3.501 V returns",
        ),
        (
            "3.5 < cell_max_v",
            "{cell_max_v: 3.6}",
            "3.499 V quiet, 3.5 V quiet, 3.501 V raised",
            "3.501 V stays, 3.5 V returns",
        ),
        (
            "not cell_max_v > 3.5",
            "{cell_max_v: 3}",
            "3.499 V raised, 3.5 V raised, 3.501 V quiet",
            "3.5 V stays, 3.501 V returns",
        ),
        ("full_count == 0", "{full_count: 0}", "0 raised, 1 quiet", "0 stays, 1 returns"),
        ("full_count != 2", "{full_count: 0}", "1 raised, 2 quiet, 3 raised", "1 stays, 2 returns"),
        (
            "c_rate > 0.5",
            "{c_rate: 1}",
            "0.49 quiet, 0.5 quiet, 0.51 raised",
            "0.51 stays, 0.5 returns",
        ),
        (
            "joint_excess_mohm > 0.01",
            "{joint_excess_mohm: 1}",
            "0.009 mΩ quiet, 0.01 mΩ quiet, 0.011 mΩ raised",
            "0.011 mΩ stays, 0.01 mΩ returns",
        ),
        (
            'since_full_h > "2 d"',
            "{since_full_h: 50}",
            "47.9 h quiet, 48 h quiet, 48.1 h raised",
            "48.1 h stays, 48 h returns",
        ),
        ("not carries", "{carries: false}", "no raised, yes quiet", "yes returns"),
        ("charge_allowed", "{charge_allowed: true}", "yes raised, no quiet", "no returns"),
        (
            'telemetry_quality == "stale"',
            "{telemetry_quality: stale}",
            "stale raised, good quiet, bad quiet",
            "good returns, bad returns",
        ),
        (
            '"OVER_VOLT" in protection',
            "{protection: [OVER_VOLT]}",
            "OVER_VOLT raised, none quiet",
            "none returns",
        ),
        (
            "current_a > 0",
            "{current_a: 1}",
            "-0.1 A quiet, 0 A quiet, 0.1 A raised",
            "0.1 A stays, 0 A returns",
        ),
    ],
)
def test_one_limit_of_each_kind(when: str, given: str, first: str, returns: str) -> None:
    text = rule_of(when.replace("'", "''"), given)
    (found,) = boundaries(text).found
    assert shown(found) == (first, returns)


def test_where_until_says_when_it_returns() -> None:
    text = rule_of("cell_spread_mv > 40", "{cell_spread_mv: 50}", until="cell_spread_mv < 25")
    (found,) = boundaries(text).found
    assert shown(found)[1] == "25 mV stays, 24 mV returns"


@pytest.mark.parametrize(
    ("when", "given", "notes"),
    [
        (
            "cell_max_v > 3.5 or current_a > 5",
            "{cell_max_v: 3.6, current_a: 9}",
            ["no effect here: another part decides"] * 2,
        ),
        (
            "(current_a if charge_allowed else 0) > 5",
            "{charge_allowed: true, current_a: 9}",
            ["not tried: no figure stands alone here"],
        ),
        (
            'current_a > 5 and mean(current_a, "1 h") > 5',
            "{current_a: 9}",
            ["not tried: the windows of this rule need a past"] * 2,
        ),
        ("cell_max_v > current_a * 0", "{cell_max_v: 3, current_a: 1}", [""]),
    ],
)
def test_what_is_not_tried_says_why(when: str, given: str, notes: list[str]) -> None:
    assert [b.note for b in boundaries(rule_of(when, given)).found] == notes


def test_until_with_a_window_is_not_tried() -> None:
    until = "'highest(cell_max_v, \"1 h\") < 3.4'"
    (found,) = boundaries(rule_of("cell_max_v > 3.5", "{cell_max_v: 3.6}", until=until)).found
    assert found.note == "its return is not tried: the windows of until need a past"


def test_an_or_is_tried_from_the_example_in_which_its_part_decides() -> None:
    text = rule_of("cell_max_v > 3.5 or current_a > 5", "{cell_max_v: 3.6, current_a: 1}")
    text += "    - {given: {cell_max_v: 3.4, current_a: 9}, lasting: 1 h, expect: raised}\n"
    assert [(b.about, b.example) for b in boundaries(text).found] == [
        ("cell_max_v > 3.5", 1),
        ("current_a > 5", 2),
    ]


@pytest.mark.parametrize("given", ["{cell_max_v: 3.6}", "{cell_max_v: 3.4, current_a: 9}"])
def test_without_an_example_that_is_raised_there_are_none(given: str) -> None:
    found = boundaries(rule_of("cell_max_v > 3.5 and current_a > 5", given))
    assert (found.found, found.count) == ((), 0)


def test_an_alarm_that_never_returns_says_so() -> None:
    text = rule_of(
        "cell_spread_mv > 10", "{cell_spread_mv: 50}", off_delay="1 min", until="cell_max_v < 0"
    )
    limit, delay = boundaries(text).found
    assert limit.note == "does not return by this alone"
    assert delay.note == "not tried: nothing here lets it return"


@pytest.mark.parametrize("name", RULES)
def test_shipped_rules_raise_at_their_on_delay_and_return_at_their_off_delay(name: str) -> None:
    rule = RULES[name]
    found = {b.about.split(":")[0]: b for b in boundaries_of(rule).found}
    if rule.when.calls:
        return
    if rule.on_delay_s:
        assert [c.raised for c in found["on_delay"].cases] == [False, True]
    if rule.off_delay_s:
        assert [c.raised for c in found["off_delay"].returns] == [True, False]
