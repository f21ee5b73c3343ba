"""The alarms that watchd raises about itself, in the same form as any other."""

from __future__ import annotations

from enum import StrEnum

from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

NO_FAULT = "none"


class Fault(StrEnum):
    """What can be wrong with watchd's own files, by the figure that says why."""

    RULES = "rules_fault"
    CONFIG = "config_fault"
    STORE = "store_fault"
    DAMAGE = "store_damage"


FLOOD = "alarm-flood"

# Built in, because it must work when the folder of rules does not.
_TEXT = """
- rule: rules-not-loaded
  about: service
  when: rules_fault != "none"
  priority: medium
  title: "watchd: the edited rules do not load"
  say: "The rules last edited do not load; those from before stay in force: {rules_fault}"
  cause: A mistake in a file of rules, or a file that cannot be read.
  consequence: What was changed has no effect.
  response: Run `watchd check`, which names file, line and column, and mend the file.

- rule: config-not-loaded
  about: service
  when: config_fault != "none"
  priority: medium
  title: "watchd: the edited config does not load"
  say: "The config last edited does not load; that from before stays in force: {config_fault}"
  cause: A mistake in the config, or a file that cannot be read.
  consequence: What was changed has no effect, and watchd would not start with it.
  response: Run `watchd check`, which names file, line and column, and mend the file.

- rule: store-not-written
  about: service
  when: store_fault != "none"
  priority: medium
  title: "watchd: its store cannot be written"
  say: "The store cannot be written: {store_fault}"
  cause: A disk that is full, worn out or read-only, or a folder that the service may not write.
  consequence: >-
    watchd goes on watching, but a restart would lose the state of its alarms and estimates, and
    the history has a hole.
  response: Make room, or look at the disk. What waits is written once it can be.

- rule: store-set-aside
  about: service
  when: store_damage != "none"
  latching: yes
  priority: medium
  title: "watchd: its store was set aside"
  say: "The store was set aside; watchd began a new one: {store_damage}"
  cause: Power cut in the middle of a write, a disk that wears out, or a newer watchd before.
  consequence: The history before, and what is named here, are in the file that was set aside.
  response: >-
    Look at the disk, and put in a newer one if this happens again. Restore a backup if you
    have one.

- rule: alarm-flood
  about: service
  # More than ten in ten minutes, until fewer than five: ISA-18.2 and EEMUA 191.
  when: alarms_10min > 10
  until: alarms_10min < 5
  priority: high
  re_alarm_time: 1 h
  title: "watchd: many alarms at once"
  say: >-
    {alarms_10min:unit} alarms in 10 min, more than a person can follow; until it falls, only
    critical ones are told one by one
  cause: One trouble that shows in many places, or limits and delays that are too tight.
  consequence: What matters is lost among the rest. Alarms held back are recorded as any other.
  response: >-
    Look at the first of them, mostly the cause: `watchd alarms` lists what stands, and
    `watchd alarms history` what came when.
"""


def own_rules() -> tuple[Rule, ...]:
    """Compiled."""
    return compile_rules([("watchd's own rules", _TEXT)])
