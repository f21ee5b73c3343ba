"""Alarms that stand at the end of the span and that no other finding speaks of."""

from __future__ import annotations

from collections.abc import Sequence

from watchd.advice.reanchoring import CAUTION
from watchd.report.findings.finding import Finding, Known, Standing, alarm_kind
from watchd.report.occurrences import Occurrence
from watchd.rules.rule import Priority

# The finding that says the same as a shipped rule, when it asks for something.
SAID_BY = {
    "joint-resistance-high": "joints",
    "balancer-not-coping": "balance",
    "cell-spread-widening": "balance",
    "cell-weak": "small-cell",
    "protection-trip": "trips",
    "protection-trips-repeated": "trips",
    "full-charge-overdue": "full",
    "soc-disagrees": "soc",
    "soc-stuck-below-full": "soc",
    "capacity-low": "capacity",
    "protection-setting-temporary": "temporary",
    "settings-inconsistent": "settings",
    "charge-limit-exceeded": "limit",
}


def standing_alarms(
    occurrences: Sequence[Occurrence], said: Sequence[Finding], known: Known
) -> list[Finding]:
    """Those that call for a person. What to do is what the rule in force says."""
    asked = {finding.kind for finding in said if finding.standing is Standing.ACT}
    found = []
    for occurrence in occurrences:
        if occurrence.end is not None or occurrence.priority is Priority.JOURNAL:
            continue
        if SAID_BY.get(occurrence.rule) in asked:
            continue
        kind, name, *_ = (*occurrence.subject.split("/"), "")
        subject = f"pack/{name}" if kind == "cell" else occurrence.subject
        rule = known.rules.get(occurrence.rule)
        since = known.span.moment(occurrence.begin)
        found.append(
            Finding(
                alarm_kind(occurrence.priority),
                subject,
                Standing.ACT,
                f"{_without(occurrence.text, name)} (alarm since {since}).",
                rule.response if rule is not None else "",
                CAUTION,
                {"alarm": occurrence.alarm, "priority": str(occurrence.priority)},
            )
        )
    return found


def _without(text: str, name: str) -> str:
    """The text of an alarm as a sentence, without the name of its subject before it."""
    bare = text.removeprefix(f"{name}: ").rstrip(".")
    return bare[:1].upper() + bare[1:]
