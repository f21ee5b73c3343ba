"""An alarm as a person would keep it on paper: what was seen, what was said, and what follows.

It keeps all that it was shown and counts from that anew each time. It shares no code and no
bookkeeping with the alarm, which keeps sums. Times are steps of a grid of `GRID_S`: far coarser
than the millisecond to which the end of a delay is met, so that no tolerance is needed here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

GRID_S = 0.25
LIMIT_MV, DEADBAND_MV = 40, 10
IDLE_A, LOW_SOC_PCT = 1, 10
MINUTE, DAY = 240, 345_600
STEADY = 10 * MINUTE

Truth = bool | None
Said = tuple[str, str]  # an event, and whether people are told of it
Log = list[tuple[int, Truth]]


@dataclass(frozen=True)
class Kind:
    """What the rule says. `ends` is how it returns: plain, deadband or until."""

    ends: str
    on_delay: int
    off_delay: int
    latching: bool = False
    silent: bool = False
    suppressed: bool = False  # whether it has `suppress_when`
    re_alarm: int | None = None


@dataclass
class Seen:
    """One look at the figures."""

    spread_mv: float | None
    amps: float | None
    soc_pct: float | None


@dataclass
class Paper:
    """The notes on one alarm."""

    kind: Kind
    now: int = 0  # the last look
    raised: bool = False
    latched: bool = False
    seen: bool = True  # whether the last raise was acknowledged, or asks for nothing any more
    known: bool = False  # whether people know of this occurrence
    suppressed: bool = False
    low_at: int = 0  # when the charge was last known to be low
    out: bool = False
    shelf: tuple[int, bool] | None = None  # until when, and whether a clearing ends it
    raised_at: int | None = None
    last_told: int = 0
    shown: float | None = None  # the spread of which the text tells
    occurrences: int = 0
    stale: bool = False
    raises: list[int] = field(default_factory=list)
    chatter_known: bool = False
    covered: str = ""  # why something else says it for now
    held: bool = False  # this occurrence follows from what people know
    raising: Log = field(default_factory=list)
    ending: Log = field(default_factory=list)

    @property
    def condition(self) -> str:
        if self.raised:
            return "acknowledged" if self.seen else "unacknowledged"
        if self.latched:
            return "latched_acknowledged" if self.seen else "latched_unacknowledged"
        return "normal" if self.seen else "returned_unacknowledged"

    @property
    def hidden(self) -> str:
        if self.out:
            return "out_of_service"
        if self.shelf is not None:
            return "shelved"
        return "suppressed_by_design" if self.suppressed else ""

    @property
    def state(self) -> str:
        return self.hidden or self.condition

    @property
    def chatters(self) -> bool:
        triples = zip(self.raises, self.raises[2:], strict=False)
        return any(third - first <= MINUTE for first, third in triples)

    # --- figures and time ---

    def show(self, now: int, look: Seen) -> list[Said]:
        """A look at the figures; what happened, in order."""
        self.now = now
        said: list[Said] = []
        low = below(look.soc_pct, LOW_SOC_PCT) if self.kind.suppressed else None
        if low is True:
            self.low_at = now
        elif low is None and self.suppressed and now - self.low_at >= 10 * MINUTE:
            low = False  # of what nothing is known for so long, nobody is kept from an alarm
        if low is True and not self.suppressed:
            self.suppressed = True
            said.append(("suppressed", "no"))
        said += self._condition(look)
        if low is False and self.suppressed:
            self.suppressed = False
            said.append(("unsuppressed", self._unsuppressed()))
        said += self._time(look)
        self._close()
        return said

    def _condition(self, look: Seen) -> list[Said]:
        raising = above(look.spread_mv, LIMIT_MV)
        if self.raised:
            self.ending.append((self.now, self._ends(raising, look)))
            over = self.ending[-1][1] is True and held(self.ending) >= self.kind.off_delay
            return self._returned() if over else []
        self.raising.append((self.now, raising))
        if raising is True and held(self.raising) >= self.kind.on_delay:
            return self._raised(look)
        return []

    def _ends(self, raising: Truth, look: Seen) -> Truth:
        if self.kind.ends == "until":
            return all_of(below(look.amps, IDLE_A), opposite(raising))
        if self.kind.ends == "deadband":
            return opposite(above(look.spread_mv, LIMIT_MV - DEADBAND_MV))
        return opposite(raising)

    def _raised(self, look: Seen) -> list[Said]:
        before = self.chatters
        self.raises.append(self.now)
        begins = self.chatters and not before
        self.raised, self.latched, self.seen, self.known = True, False, False, False
        self.raised_at, self.last_told, self.shown = self.now, self.now, look.spread_mv
        self.held = False
        self.occurrences += 1
        self.ending = []
        if not begins:
            return [("raised", self._tell(unless=self.chatter_known))]
        return [("raised", self._tell(unless=True)), ("chattering", self._tell())]

    def _returned(self) -> list[Said]:
        self.raised, self.stale, self.raising = False, False, []
        unheard = not self.known and not self.hidden and not self.kind.latching
        self.seen = self.seen or self.kind.silent or unheard
        self.latched = self.kind.latching and not self.kind.silent
        said = [("returned", "no")]
        if self.shelf is not None and self.shelf[1]:
            said.append(self._unshelved())
        return said

    def _time(self, look: Seen) -> list[Said]:
        said: list[Said] = []
        if self.shelf is not None and self.now >= self.shelf[0]:
            said.append(self._unshelved())
        if self.chatters and self.now >= self.raises[-1] + STEADY:
            self.raises, self.chatter_known = [], False
            said.append(("steady", "no"))
        again = self._re_alarm_at()
        unknown = bool(self.ending) and self.ending[-1][1] is None
        if again is not None and self.now >= again and not unknown:
            self.seen, self.last_told, self.shown = False, self.now, look.spread_mv
            said.append(("re_alarmed", self._tell(unless=self.chatter_known)))
        if self.raised and not self.stale and self.now >= self._since() + DAY:
            self.stale = True
            said.append(("stale", "no"))
        return said

    def due(self) -> int | None:
        """When it will move if what it sees stays as it is."""
        log = self.ending if self.raised else self.raising
        delay = self.kind.off_delay if self.raised else self.kind.on_delay
        runs = bool(log) and log[-1][1] is True
        moments = [
            log[-1][0] + max(0, delay - held(log)) if runs else None,
            self.shelf[0] if self.shelf is not None else None,
            self.raises[-1] + STEADY if self.chatters else None,
            self._re_alarm_at(),
            self._since() + DAY if self.raised and not self.stale else None,
        ]
        return min((moment for moment in moments if moment is not None), default=None)

    def _re_alarm_at(self) -> int | None:
        waits = self.raised and not self.hidden and not self.kind.silent and not self.covered
        if waits and not self.known and not self.held:
            return self.raised_at
        return self.last_told + self.kind.re_alarm if waits and self.kind.re_alarm else None

    def _since(self) -> int:
        assert self.raised_at is not None
        return self.raised_at

    # --- what people do ---

    def acknowledge(self) -> list[Said]:
        if self.seen:
            return []
        self.seen = self.known = True
        return self._done("acknowledged")

    def reset(self) -> list[Said]:
        if not self.latched or not self.seen:
            return []
        self.latched = False
        return self._done("reset")

    def shelve(self, until: int, *, cleared: bool) -> list[Said]:
        if self.out:
            return []
        self.shelf = (until, cleared)
        return self._done("shelved")

    def unshelve(self) -> list[Said]:
        return [] if self.shelf is None else self._done(*self._unshelved())

    def take_out(self) -> list[Said]:
        if self.out:
            return []
        self.out, self.shelf = True, None
        return self._done("removed_from_service")

    def put_back(self) -> list[Said]:
        if not self.out:
            return []
        self.out = False
        return self._done("returned_to_service", self._taken_up())

    # --- what is told elsewhere ---

    def cover(self, why: str) -> None:
        self.covered = why

    def hold_back(self) -> None:
        """What was just told follows from something else, and was not told after all."""
        self.held, self.known, self.chatter_known = True, False, False

    # --- what is said ---

    def _unshelved(self) -> Said:
        self.shelf = None
        return ("unshelved", self._taken_up())

    def _taken_up(self) -> str:
        """What stands is said anew, as if it were new; what is gone is over."""
        if self.hidden or self.kind.silent:
            return "no"
        if self.raised:
            self.seen = False
            return self._tell()
        if self.latched:
            return "no" if self.known else self._tell()
        self.seen = True
        return "no"

    def _unsuppressed(self) -> str:
        """What people do not know of is said, if it is still there."""
        if self.hidden or self.known:
            return "no"
        if self.raised or self.latched:
            return self._tell()
        self.seen = True
        return "no"

    def _tell(self, *, unless: bool = False) -> str:
        if self.kind.silent:
            return "silent"
        if self.hidden:
            return "withheld"
        if self.covered:
            self.known = False
            return self.covered
        self.known, self.held = True, self.held and unless
        if unless:
            return "chattering"
        self.last_told, self.chatter_known = self.now, self.chatters
        return "yes"

    def _done(self, event: str, told: str = "no") -> list[Said]:
        self._close()
        return [(event, told)]

    def _close(self) -> None:
        """Of what is normal nothing is kept."""
        if self.condition == "normal":
            self.raised_at, self.occurrences, self.known, self.held = None, 0, False, False


def above(value: float | None, limit: float) -> Truth:
    return None if value is None else value > limit


def below(value: float | None, limit: float) -> Truth:
    return None if value is None else value < limit


def opposite(truth: Truth) -> Truth:
    return None if truth is None else not truth


def all_of(*truths: Truth) -> Truth:
    if False in truths:
        return False
    return None if None in truths else True


def held(log: Log) -> int:
    """Time since it was last known to be false, without the stretches in which it was unknown."""
    last_false = max((i for i, (_, truth) in enumerate(log) if truth is False), default=-1)
    stretches = zip(log[last_false + 1 :], log[last_false + 2 :], strict=False)
    return sum(end - begin for (begin, truth), (end, _) in stretches if truth is True)
