"""The rules that ship, compiled once for the tests that hold them to what they say."""

from __future__ import annotations

from watchd.loading import load_rules, shipped

RULES = {rule.name: rule for rule in load_rules(shipped("rules"))}
# An example holds its figures still, and a count of what comes and goes never rises on those: it
# cannot show such a rule raised. These have a test that lets things come and go instead.
RAISED_BY_CHANGE = {"protection-trips-repeated"}
