"""The alarms that watchd raises about itself, in the same form as any other."""

from __future__ import annotations

from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

NO_FAULT = "none"

# Built in, because it must work when the folder of rules does not.
_TEXT = """
- rule: rules-not-loaded
  about: service
  when: rules_fault != "none"
  priority: medium
  say: "The rules last edited do not load; those from before stay in force: {rules_fault}"
  cause: A mistake in a file of rules, or a file that cannot be read.
  consequence: What was changed has no effect.
  response: Run `watchd check`, which names file, line and column, and mend the file.
"""


def own_rules() -> tuple[Rule, ...]:
    """Compiled."""
    return compile_rules([("watchd's own rules", _TEXT)])
