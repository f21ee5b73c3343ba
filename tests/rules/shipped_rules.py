"""The rules that ship, compiled once for the tests that hold them to what they say."""

from __future__ import annotations

from watchd.loading import load_rules, shipped

RULES = {rule.name: rule for rule in load_rules(shipped("rules"))}
