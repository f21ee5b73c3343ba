"""The alarm budget: how often people are told, beside the goal, and of which alarm most.

The account is that of `tuning.account`, one tally an alarm. The goal of one a day is watchd's own,
over 30 days, which is the least that ISA-18.2 wants to judge by; that nothing should chatter is
ISA-18.2's. What to do about the worst actor follows from its journal alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from watchd.alarms.state import Event, Told
from watchd.digest.schedule import DAY_S
from watchd.messages import DigestActor, JournalEntry
from watchd.rules.rule import Priority
from watchd.tuning.account import Account, Tally, per_day

OVER_S = 30 * DAY_S
LEAST_FOR_AN_ACTOR = 3  # once or twice is no habit (ours)
_URGENT = (Priority.CRITICAL, Priority.HIGH)


@dataclass(frozen=True, slots=True)
class Budget:
    """`told` in the time from `begin`, `told_before` in as long a time before; `per_day` over
    `over_s`. None: not known.
    """

    told: int
    told_before: int
    per_day: float | None
    over_s: float
    chattering: tuple[str, ...]
    worst: DigestActor | None


def budget(
    journal: Sequence[JournalEntry],
    journal_from: float,
    begin: float,
    end: float,
    causes: Mapping[str, str],
) -> Budget:
    """The budget as of `end`; times are Unix s, the journal in their order."""
    over_s = min(OVER_S, end - journal_from)
    month = [e for e in journal if end - OVER_S <= e["at"] < end]
    here = [e for e in month if e["at"] >= begin]
    before = [e for e in month if begin - (end - begin) <= e["at"] < begin]
    return Budget(
        told=_told(here),
        told_before=_told(before),
        per_day=per_day(_told(month), over_s),
        over_s=over_s,
        chattering=tuple(sorted({e["alarm"] for e in here if e["event"] == Event.CHATTERING})),
        worst=_worst(here, begin, end, causes),
    )


def name_of(alarm: str) -> str:
    """The name of an alarm for people.

    >>> name_of("cell-weak/cell/alder/7"), name_of("pack-hot/pack/birch")
    ('cell-weak of alder cell 7', 'pack-hot of birch')
    """
    rule, _, subject = alarm.partition("/")
    kind, _, name = subject.partition("/")
    if kind == "cell":
        name = name.replace("/", " cell ")
    return f"{rule} of {name}" if name else rule


def _told(entries: Sequence[JournalEntry]) -> int:
    return sum(e["told"] == Told.YES for e in entries)


def _worst(
    entries: Sequence[JournalEntry], begin: float, end: float, causes: Mapping[str, str]
) -> DigestActor | None:
    """The alarm that was told most in these entries, if any was told often enough."""
    counts = Counter(e["alarm"] for e in entries if e["told"] == Told.YES)
    if not counts:
        return None
    alarm, told = min(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    if told < LEAST_FOR_AN_ACTOR:
        return None
    account = Account(begin)
    own = [e for e in entries if e["alarm"] == alarm]
    for entry in own:
        # What comes back from the store is text.
        account.enter(alarm, "", entry["at"], Event(entry["event"]), Told(entry["told"]))
    cause = causes.get(alarm.partition("/")[0], "")
    return _advised(alarm, told, account.tallies(end)[alarm], own, cause)


def _advised(
    alarm: str, told: int, tally: Tally, entries: Sequence[JournalEntry], cause: str
) -> DigestActor:
    """What the journal of an alarm speaks for.

    Of one that is urgent nobody is told to look at the limit: it is the cause that has to go. Only
    its likely cause is quoted: a response may be about a setting, and wants its caution beside it.
    """
    rule = alarm.partition("/")[0]
    events: Mapping[str, int] = Counter(e["event"] for e in entries)
    urgent = entries[-1]["priority"] in _URGENT
    if tally.chattering or tally.fleeting * 2 > tally.raised:
        text = f"It comes and goes at once: a longer on_delay or a deadband? watchd tune {rule}"
        return DigestActor(alarm=alarm, told=told, do="delay", text=text)
    alone = not events.get(Event.ACKNOWLEDGED) and not tally.standing and not tally.stale
    if alone and not urgent:
        text = (
            "It went by itself each time, and nobody acknowledged it: is its limit too tight? "
            f"watchd tune {rule}"
        )
        return DigestActor(alarm=alarm, told=told, do="limit", text=text)
    text = f"To be mended. Likely: {cause}" if cause else "Its cause is to be mended."
    return DigestActor(alarm=alarm, told=told, do="mend", text=text)
