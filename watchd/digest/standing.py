"""Which alarms stand, from a journal alone: for a time at which no engine is to be asked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from watchd.alarms.state import LATCHED, RAISED, Event, State
from watchd.digest.facts import Standing
from watchd.messages import JournalEntry
from watchd.rules.rule import Priority

PUT_ASIDE = (State.SHELVED, State.OUT_OF_SERVICE)


def standing_of(journal: Iterable[JournalEntry], silent: Mapping[str, bool]) -> list[Standing]:
    """Those that stand after these entries, in the order of time.

    `silent`: of each rule by name, whether nobody is told of it; an alarm of a rule that is not
    there is no more. What is suppressed by design is left out.
    """
    last: dict[str, JournalEntry] = {}
    raised: dict[str, JournalEntry] = {}
    for entry in journal:
        alarm = entry["alarm"]
        last[alarm] = entry
        if entry["event"] == Event.RAISED:
            raised[alarm] = entry
    found = []
    for alarm, entry in last.items():
        # What comes back from the store is text.
        stands = State(entry["condition"]) in RAISED | LATCHED
        is_silent = silent.get(alarm.partition("/")[0], True)
        if not stands or is_silent or State(entry["state"]) is State.SUPPRESSED_BY_DESIGN:
            continue
        of = raised.get(alarm)
        found.append(
            Standing(
                alarm,
                Priority(entry["priority"]),
                None if of is None else of["at"],
                entry["text"],
                is_shelved=State(entry["state"]) in PUT_ASIDE,
            )
        )
    return found
