"""Variants side by side on one engine give what replays one by one give."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.scene import START, config_of, leading, pack, rules_of
from watchd.engine import Engine
from watchd.rules.rule import Rule
from watchd.tuning.account import Account, Tally
from watchd.tuning.variants import variants_of
from watchd.tuning.variation import parse_variation

CONFIG = config_of()
RULES = rules_of("""
- rule: cell-spread-wide
  when: cell_spread_mv > 40 and current_a > 0
  on_delay: 20 s
  off_delay: 20 s
  deadband: {cell_spread_mv: 10}
  priority: medium
  say: "{pack}: {cell_spread_mv:.0f} mV"
  charge_limit: 0.1 * nameplate_ah
- rule: cell-high
  when: cell_max_v > 3.45
  priority: high
  say: "{pack}: {cell_max_v:.3f} V"
""")
SPREAD = RULES[0]
Story = Sequence[tuple[int, int]]  # spread in mV and current in A, ten seconds apart


def tallies(rules: Sequence[Rule], story: Story) -> dict[str, Tally]:
    engine, account = Engine(CONFIG, rules), Account(START)
    at = START
    for index, (spread_mv, current_a) in enumerate(story):
        at = START + 10.0 * index
        document = pack(cell_v=leading(3.40, by_mv=spread_mv), current_a=current_a)
        engine.feed("hut/alder/state", json.dumps(document).encode(), at)
        for transition in engine.take_transitions():
            account.take(transition)
    return account.tallies(at)


stories = st.lists(
    st.tuples(st.sampled_from([0, 15, 25, 35, 45, 55, 65]), st.sampled_from([-5, 5])),
    min_size=5,
    max_size=60,
)
varied = st.sampled_from(
    [
        "cell_spread_mv 20..60 step 10",
        "cell_spread_mv 25..55 step 10",
        "on_delay 0 s..60 s step 20 s",
        "off_delay 0 s..60 s step 30 s",
        "deadband cell_spread_mv 5..25 step 10",
    ]
)


@settings(max_examples=25, deadline=None)
@given(stories, varied)
def test_one_pass_with_all_is_as_good_as_one_replay_of_each(story: Story, vary: str) -> None:
    variants = variants_of(SPREAD, parse_variation(vary)).variants
    together = tallies([v.rule for v in variants], story)
    for variant in variants:
        alone = tallies([replace(variant.rule, name=SPREAD.name)], story)
        assert unsaid(together.get(variant.rule.name)) == unsaid(alone.get(SPREAD.name))


@settings(max_examples=25, deadline=None)
@given(stories, varied)
def test_at_the_value_in_force_it_is_what_replay_counts(story: Story, vary: str) -> None:
    variants = variants_of(SPREAD, parse_variation(vary)).variants
    (in_force,) = (v.rule for v in variants if v.in_force)
    tried = tallies([v.rule for v in variants], story).get(in_force.name)
    assert unsaid(tried) == unsaid(tallies(RULES, story).get(SPREAD.name))


def unsaid(tally: Tally | None) -> Tally:
    """Without what people were told: many rules at once are a flood, one alone is not."""
    return replace(tally or Tally(), told=0)


def test_a_story_of_which_the_counts_are_known() -> None:
    story = [(55, 5)] * 6 + [(0, 5)] * 6 + [(35, 5)] * 6 + [(0, 5)] * 6
    variants = variants_of(SPREAD, parse_variation("cell_spread_mv 30..60 step 10")).variants
    found = tallies([v.rule for v in variants], story)
    counted = [(v.value, found.get(v.rule.name, Tally()).raised) for v in variants]
    assert counted == [(30, 2), (40, 1), (50, 1), (60, 0)]
