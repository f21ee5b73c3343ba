"""One number of a rule is replaced, and nothing else."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.errors import WatchdError
from watchd.loading import load_rules, shipped
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule
from watchd.tuning.variants import Variants, reads_advice, variants_of
from watchd.tuning.variation import parse_variation


def rule_when(when: str, more: str = "") -> Rule:
    text = f"- {{rule: it, when: '{when}', priority: low, say: \"it\"{more}}}"
    (rule,) = compile_rules([("rules.yaml", text)])
    return rule


def vary(rule: Rule, text: str) -> Variants:
    return variants_of(rule, parse_variation(text))


@pytest.mark.parametrize(
    ("when", "variation", "first", "now"),
    [
        ("cell_spread_mv > 40", "cell_spread_mv 20..30 step 10", "cell_spread_mv > 20.0", "40 mV"),
        ("40 < cell_spread_mv", "cell_spread_mv 20..30 step 10", "20.0 < cell_spread_mv", "40 mV"),
        ("current_a < -5", "current_a -9..-8 step 1", "current_a < -9.0", "-5 A"),
        (
            "cell_max_v > overvoltage_v - 0.05 and current_a > 0",
            "cell_max_v 3.5..3.6 step 0.1",
            "cell_max_v > 3.5 and current_a > 0",
            "overvoltage_v - 0.05",
        ),
        (
            "overvoltage_v - 0.05 < cell_max_v",
            "cell_max_v 3.5..3.6 step 0.1",
            "3.5 < cell_max_v",
            "overvoltage_v - 0.05",
        ),
        (
            "(cell_max_v) > (overvoltage_v - 0.05)",
            "cell_max_v 3.5..3.6 step 0.1",
            "(cell_max_v) > (3.5)",
            "overvoltage_v - 0.05",
        ),
        (
            "cell_max_v > (3.6 if current_a > 0 else 3.5)",
            "cell_max_v 3.5..3.6 step 0.1",
            "cell_max_v > (3.5)",
            "3.6 if current_a > 0 else 3.5",
        ),
        (
            "temperature_max_degc > 55 or temperature_max_degc > charge_max_degc",
            "temperature_max_degc > charge_max_degc: 45..46 step 1",
            "temperature_max_degc > 55 or temperature_max_degc > 45.0",
            "charge_max_degc",
        ),
        # The limit's text stands in the figure's name as well.
        ("24 < trips_24h", "trips_24h 1..2 step 1", "1.0 < trips_24h", "24"),
        ("trips_24h > 24", "trips_24h 1..2 step 1", "trips_24h > 1.0", "24"),
        ("trips_24h >= 4", "trips_24h 1..2 step 1", "trips_24h >= 1.0", "4"),
        (
            "not current_a < 4 or current_a > 4",
            "current_a > 1..2 step 1",
            "not current_a < 4 or current_a > 1.0",
            "4 A",
        ),
        (
            "10 < temperature_max_degc < 40",
            "temperature_max_degc < 1..2 step 1",
            "10 < temperature_max_degc < 1.0",
            "40 °C",
        ),
        (
            "10 < temperature_max_degc < 40",
            "temperature_max_degc > 1..2 step 1",
            "1.0 < temperature_max_degc < 40",
            "10 °C",
        ),
        (
            'mean(current_a, "10 min") > 10 and current_a > 10',
            "mean( current_a , '10 min' ) 1..2 step 1".replace("'", '"'),
            'mean(current_a, "10 min") > 1.0 and current_a > 10',
            "10 A",
        ),
        (
            'since_full_h > "14 d"',
            "since_full_h 7 d..8 d step 1 d",
            "since_full_h > 168.0",
            "336 h",
        ),
    ],
)
def test_the_limit_of_a_figure_is_replaced(when: str, variation: str, first: str, now: str) -> None:
    found = vary(rule_when(when), variation)
    assert found.variants[0].rule.when.text == first
    assert found.now == now
    in_force = [v for v in found.variants if v.in_force]
    assert [v.rule.when.text for v in in_force] == [when]


def test_the_rule_in_force_has_its_place_among_the_values() -> None:
    rule = rule_when("cell_spread_mv > 40")
    exact = vary(rule, "cell_spread_mv 30..50 step 10").variants
    assert [(v.value, v.in_force) for v in exact] == [(30, False), (40, True), (50, False)]
    between = vary(rule, "cell_spread_mv 35..45 step 10").variants
    assert [(v.value, v.in_force) for v in between] == [(35, False), (40, True), (45, False)]
    outside = vary(rule, "cell_spread_mv 50..60 step 10").variants
    assert [v.value for v in outside] == [40, 50, 60]
    figure = vary(rule_when("cell_max_v > overvoltage_v"), "cell_max_v 3.4..3.5 step 0.1").variants
    assert [(v.value, v.in_force) for v in figure] == [(3.4, False), (3.5, False), (None, True)]


def test_everything_else_stays_but_what_bears_on_other_rules() -> None:
    more = (
        ", on_delay: 2 min, off_delay: 10 min, deadband: {cell_spread_mv: 10},"
        " charge_limit: 0.1 * nameplate_ah, group: cells, disabled: yes"
    )
    rule = rule_when("cell_spread_mv > 40", more)
    for variant in vary(rule, "cell_spread_mv 30..50 step 10").variants:
        made = variant.rule
        assert (made.on_delay_s, made.off_delay_s, made.deadband) == (120, 600, rule.deadband)
        assert (made.charge_limit, made.group, made.disabled) == (None, None, False)
        # The deadband goes with the limit: it stays raised above the new one less 10.
        assert made.stays is not None
        assert made.stays.evaluate({"cell_spread_mv": (variant.value or 0) - 9}, ()) is True
        assert made.stays.evaluate({"cell_spread_mv": (variant.value or 0) - 11}, ()) is False


def test_delays_and_deadbands() -> None:
    more = ", on_delay: 2 min, off_delay: 10 min, deadband: {cell_spread_mv: 10, current_a: 1}"
    rule = rule_when("cell_spread_mv > 40 and current_a > 0", more)
    found = vary(rule, "on_delay 1 min..3 min step 1 min")
    assert [v.rule.on_delay_s for v in found.variants] == [60, 120, 180]
    assert [v.in_force for v in found.variants] == [False, True, False]
    assert (found.unit, found.now) == ("s", "120 s")
    found = vary(rule, "off_delay 0 s..20 min step 10 min")
    assert [v.rule.off_delay_s for v in found.variants] == [0, 600, 1200]
    found = vary(rule, "deadband cell_spread_mv 5..15 step 5")
    assert [v.rule.deadband["cell_spread_mv"] for v in found.variants] == [5, 10, 15]
    stays = found.variants[2].rule.stays
    assert stays is not None
    assert stays.evaluate({"cell_spread_mv": 26.0, "current_a": 5.0}, ()) is True
    alone = rule_when("cell_spread_mv > 40", ", deadband: {cell_spread_mv: 10}")
    assert len(vary(alone, "deadband 5..15 step 5").variants) == 3


TWICE = "cell_spread_mv > 40 and current_a > 0 or cell_spread_mv < 2"


@pytest.mark.parametrize(
    ("when", "variation", "says"),
    [
        ("cell_spread_mv > 40", "cel_spread_mv 1..2 step 1", "did you mean 'cell_spread_mv'?"),
        (
            "cell_spread_mv > 40",
            "cel_spread_mv 1..2 step 1",
            "(its comparisons with a number: cell_spread_mv > 40)",
        ),
        (TWICE, "voltage_v 1..2 step 1", "cell_spread_mv > 40; current_a > 0; cell_spread_mv < 2"),
        (
            TWICE,
            "cell_spread_mv 1..2 step 1",
            (
                "is compared 2 times in it: cell_spread_mv > 40; cell_spread_mv < 2; "
                "say which, such as 'cell_spread_mv > LOW..HIGH step STEP'"
            ),
        ),
        (TWICE, "cell_spread_mv >= 1..2 step 1", "is not compared with >= in it, but with >, <"),
        (
            "current_a > 1 or current_a > 9",
            "current_a > 1..2 step 1",
            "such as 'current_a > 1: LOW",
        ),
        ("current_a > 1 or current_a > 1", "current_a > 1..2 step 1", "they cannot be told apart"),
        ("charge_allowed", "charge_allowed 1..2 step 1", "(its comparisons with a number: none)"),
        ('charge_state == "FULL"', "charge_state 1..2 step 1", "with a number: none"),
        ("cell_spread_mv > 40", "cell_spread_mv 1 s..2 s step 1 s", "has another unit"),
        ("cell_spread_mv > 40", "on_delay 1..2 step 1", "on_delay is a duration"),
        ("cell_spread_mv > 40", "on_delay -1 s..2 s step 1 s", "cannot be less than 0"),
        ("cell_spread_mv > 40", "on_delay > 1 s..2 s step 1 s", "leave > out"),
        ("cell_spread_mv > 40", "deadband 1..2 step 1", "it has no deadband to vary"),
    ],
)
def test_what_cannot_be_varied(when: str, variation: str, says: str) -> None:
    with pytest.raises(WatchdError) as error:
        vary(rule_when(when), variation)
    assert says in str(error.value)


@pytest.mark.parametrize(
    ("variation", "says"),
    [
        ("deadband 1..2 step 1", "which deadband: write 'deadband cell_spread_mv LOW..HIGH"),
        ("deadband curent_a 1..2 step 1", "did you mean 'current_a'?"),
        ("deadband current_a 0..2 step 1", "a deadband has to be more than 0"),
    ],
)
def test_deadbands_that_cannot_be_varied(variation: str, says: str) -> None:
    more = ", deadband: {cell_spread_mv: 10, current_a: 1}"
    rule = rule_when("cell_spread_mv > 40 and current_a > 0", more)
    with pytest.raises(WatchdError) as error:
        vary(rule, variation)
    assert says in str(error.value)


def test_a_condition_that_grows_too_long_is_refused_in_words() -> None:
    filled = "cell_spread_mv > 4" + " or current_a > 1.5" * 100
    longest = rule_when(filled + " or current_a > 2." + "5" * (1999 - len(filled) - 18))
    with pytest.raises(WatchdError, match="the condition does not load: longer than"):
        vary(longest, "cell_spread_mv 100..200 step 100")


def test_names_are_valid_and_differ() -> None:
    (long,) = compile_rules(
        [("r.yaml", f"- {{rule: {'a-' * 29}aa, when: current_a > 5, priority: low, say: x}}")]
    )
    names = [v.rule.name for v in vary(long, "current_a 1..200 step 1").variants]
    assert len(set(names)) == 200
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]{0,59}", name) for name in names)


def test_who_reads_the_advice() -> None:
    text = "- {rule: it, about: bank, when: current_a > charge_limit_a, priority: low, say: x}"
    (rule,) = compile_rules([("r.yaml", text)])
    assert reads_advice(rule)
    assert not reads_advice(rule_when("current_a > 5"))


@pytest.mark.parametrize("rule", load_rules(shipped("rules")), ids=lambda r: r.name)
def test_every_limit_of_the_shipped_rules_can_be_varied(rule: Rule) -> None:
    """Only its own place in the text changes."""
    from watchd.language.parts import parts_of  # noqa: PLC0415
    from watchd.rules.fields import FIELDS  # noqa: PLC0415

    for leaf in parts_of(rule.when.text, FIELDS[rule.about]).leaves():
        limit = leaf.limit
        if limit is None or limit.limit.number is None:
            continue
        text = f"{leaf.text}: 111..112 step 1"
        first = next(v for v in vary(rule, text).variants if v.value == 111)
        changed = first.rule.when.text
        place = rule.when.text[: leaf.start], rule.when.text[leaf.start + leaf.width :]
        assert changed.startswith(place[0])
        assert changed.endswith(place[1])
        middle = changed[len(place[0]) : len(changed) - len(place[1])]
        assert middle.replace("111.0", limit.limit.text) == leaf.text


names = st.sampled_from(["current_a", "trips_24h", "voltage_v"])
numbers = st.integers(-99, 99).map(str)


@given(st.lists(st.tuples(names, st.sampled_from("<>"), numbers, st.booleans()), min_size=1))
def test_in_any_condition_the_others_are_left_alone(
    comparisons: list[tuple[str, str, str, bool]],
) -> None:
    texts = [f"{n} {o} {x}" if left else f"{x} {o} {n}" for n, o, x, left in comparisons]
    rule = rule_when(" and ".join(texts))
    name = comparisons[0][0]
    if [c[0] for c in comparisons].count(name) > 1:
        return
    changed = vary(rule, f"{name} 500..501 step 1").variants[-1].rule.when.text
    n, o, _, left = comparisons[0]
    texts[0] = f"{n} {o} 501.0" if left else f"501.0 {o} {n}"
    assert changed == " and ".join(texts)
