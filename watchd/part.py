"""A replay in parts: some banks each, put together again as if one engine had watched them all.

Banks know nothing of each other. What is about all of them is how often people are called: the
flood, and the rules about watchd itself. So each part tells what moved before that is judged, with
its turn in the order of one engine, and `Together` judges all of it in that order.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from math import inf
from operator import itemgetter

from watchd.advice.advice import Advised
from watchd.alarms.annunciator import Annunciator
from watchd.alarms.state import WITHHELD, Transition
from watchd.config import Config
from watchd.engine import FLOOD_KEY, LONGEST_SILENCE_S, Engine
from watchd.moved import Moved, Turn, Turns
from watchd.rules.rule import Rule
from watchd.watch.service import ServiceWatch

SERVICE = "service/watchd"
MOST_TOPICS_KNOWN = 20_000


class InseparableError(Exception):
    """What came concerns more than one part."""


class PartEngine(Engine):
    """Watches some banks. It tells what is to be told without regard to a flood."""

    def __init__(self, config: Config, rules: Sequence[Rule], banks: Collection[str]) -> None:
        super().__init__(config, rules, explains=False, banks=banks)
        self._places = _places(config)
        self._turn: Turn | None = None
        self._turns: list[Turn] = []
        self._advice_turns: list[Turn] = []

    def take_turns(self) -> Turns:
        """Transitions and advice since the last call, each with its turn."""
        self._fill_up()
        turns, self._turns = self._turns, []
        advice_turns, self._advice_turns = self._advice_turns, []
        moved = zip(turns, self.take_transitions(), strict=True)
        return list(moved), list(zip(advice_turns, self.take_advice(), strict=True))

    def banks_of(self, topic: str) -> set[str]:
        """The banks whose packs in service have telemetry on this topic."""
        packs = (self._config.packs[name] for name in self._gate.packs_of(topic))
        return {pack.bank for pack in packs if pack.in_service}

    def is_asked(self, topic: str) -> bool:
        """Whether it is a topic on which requests are taken."""
        return self._say.topics.is_request(topic) and self._reception.listens(topic)

    def _fallen_due(self, at: float, index: int) -> None:
        self._fill_up()
        turn = self._turn = (at, self._places[self._watches.all[index].subject])
        super()._fallen_due(at, index)
        self._turn = None
        self._advice_turns += [turn] * (len(self._advised) - len(self._advice_turns))

    def _fill_up(self) -> None:
        """Where all are looked at in a row, each has the turn of its subject."""
        for said in self._advised[len(self._advice_turns) :]:
            self._advice_turns.append((said.at, self._places[f"bank/{said.bank}"]))

    def _moved(self, transition: Transition) -> None:
        if transition.subject == SERVICE:
            return
        alarm = self._counted(transition)
        transition = self._annunciator.follow_group(transition, alarm)
        subject = self._watches.of(transition.subject).subject
        self._turns.append(self._turn or (transition.at, self._places[subject]))
        self._transitions.append(transition)
        self._say.moved(alarm, transition)


class Part:
    """Some banks. It is given every message, and takes those that concern them.

    The first part also takes what concerns nobody.
    """

    def __init__(
        self, config: Config, rules: Sequence[Rule], banks: Collection[str], *, is_first: bool
    ) -> None:
        self.engine = PartEngine(config, rules, banks)
        self._banks, self._is_first = frozenset(banks), is_first
        self._takes: dict[str, bool] = {}
        self._own_topics = f"{config.prefix}/"
        self.number, self.begun_at, self.at = 0, 0.0, 0.0

    def feed(self, topic: str, payload: bytes, at: float, retained: bool) -> Moved | None:
        """Take a message, or only that time has passed; None where nothing moved.

        Raises InseparableError.
        """
        takes = self._takes.get(topic)
        if takes is None:
            takes = self._does_take(topic, retained=retained)
        before_at, self.number = self.at, self.number + 1
        if self.number == 1:
            before_at = self.begun_at = at
        # To one engine for all, time goes on with the messages of the others as well.
        self.at = at = max(at, before_at)
        by_time = by_message = _nothing()
        if self.engine.tick(at):
            by_time = self.engine.take_turns()
        # What moves is published as well.
        if takes and self.engine.feed(topic, payload, at, retained):
            by_message = self.engine.take_turns()
        is_told = self._is_first and (self.number == 1 or at - before_at > LONGEST_SILENCE_S)
        if is_told or any(by_time) or any(by_message):
            return Moved(self.number, at, before_at, by_time, by_message)
        return None

    def _does_take(self, topic: str, *, retained: bool) -> bool:
        if topic.startswith(self._own_topics):
            if not retained and self.engine.is_asked(topic):
                raise InseparableError
            return self._is_first
        banks = self.engine.banks_of(topic)
        own = banks & self._banks
        if own and own != banks:
            raise InseparableError
        takes = bool(own) if banks else self._is_first
        if len(self._takes) < MOST_TOPICS_KNOWN:
            self._takes[topic] = takes
        return takes


class Together:
    """Judges what the parts tell, as one engine for all of them would have."""

    def __init__(self, config: Config, rules: Sequence[Rule]) -> None:
        self._annunciator = Annunciator()
        active = [rule for rule in rules if not rule.disabled]
        self._service = ServiceWatch(active, {}, self._annunciator)
        self._alarms = {alarm.key: alarm for alarm in self._service.alarms()}
        self._place = _places(config)[SERVICE]
        self._due = inf
        self._transitions: list[Transition] = []

    def take(self, parts: Sequence[Moved]) -> tuple[list[Transition], list[Advised]]:
        """What the parts tell of one message; transitions and advice, in their order."""
        number, at, before_at = parts[0].number, parts[0].at, parts[0].before_at
        if number == 1:
            self._due = at
        # Of a longer silence no more than this is lived through; then all are looked at.
        pauses_at = before_at + LONGEST_SILENCE_S if at - before_at > LONGEST_SILENCE_S else inf
        by_time = sorted((t for p in parts for t in p.by_time[0]), key=itemgetter(0))
        advised = sorted((a for p in parts for a in p.by_time[1]), key=itemgetter(0))
        for turn, transition in by_time:
            if turn[0] > pauses_at:
                self._pause(pauses_at, at)
                pauses_at = inf
            self._until(turn)
            self._moved(transition)
        if pauses_at < inf:
            self._pause(pauses_at, at)
        self._until((at, self._place))
        for part in parts:
            for _, transition in part.by_message[0]:
                self._moved(transition)
            advised += part.by_message[1]
        return self._taken(), [said for _, said in advised]

    def end(self, at: float) -> list[Transition]:
        """The last message has come; what time has brought until then."""
        self._until((at, self._place))
        return self._taken()

    def _taken(self) -> list[Transition]:
        found, self._transitions = self._transitions, []
        return found

    def _pause(self, at: float, resume_at: float) -> None:
        self._until((at, self._place))
        self._due = resume_at

    def _until(self, turn: Turn) -> None:
        while (self._due, self._place) <= turn:
            self._evaluate(self._due)

    def _evaluate(self, at: float) -> None:
        for transition in self._service.evaluate(at):
            alarm = self._alarms[transition.key]
            self._moved(self._annunciator.follow_group(transition, alarm))
        self._due = self._service.next_at()

    def _moved(self, transition: Transition) -> None:
        if self._annunciator.follow(transition):
            self._evaluate(transition.at)
        flood = self._alarms[FLOOD_KEY]
        stands = flood.is_raised and flood.state not in WITHHELD
        self._transitions.append(self._annunciator.judge(transition, flood=stands))


def _nothing() -> Turns:
    return [], []


def _places(config: Config) -> dict[str, int]:
    """The place of each subject in the row in which one engine for all looks at them."""
    packs = [f"pack/{name}" for name, pack in config.packs.items() if pack.in_service]
    subjects = [*packs, *(f"bank/{name}" for name in config.banks), SERVICE]
    return {subject: place for place, subject in enumerate(subjects)}
