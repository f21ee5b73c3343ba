"""The alarms that watchd raises about itself, in the same form as any other."""

from __future__ import annotations

from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

NO_FAULT = "none"
FLOOD = "alarm-flood"

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

- rule: alarm-flood
  about: service
  # More than ten in ten minutes, until fewer than five: ISA-18.2 and EEMUA 191.
  when: alarms_10min > 10
  until: alarms_10min < 5
  priority: high
  re_alarm_time: 1 h
  say: >-
    {alarms_10min:.0f} alarms in 10 min, more than a person can follow. Until it falls, only
    critical ones are told one by one.
  cause: One trouble that shows in many places, or limits and delays that are too tight.
  consequence: What matters is lost among the rest. Alarms held back are recorded as any other.
  response: >-
    Look at the first of them, which mostly is the cause: `watchd alarms` lists what stands, and
    `watchd alarms history` what came when.
"""


def own_rules() -> tuple[Rule, ...]:
    """Compiled."""
    return compile_rules([("watchd's own rules", _TEXT)])
