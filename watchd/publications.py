"""What is said to the outside, and when: records, annunciations, advice, figures, service."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from watchd import __version__
from watchd.advice.advice import Advice, Advised, Kind, VoltageAdvice, worth_saying
from watchd.advice.reanchoring.states import Procedure
from watchd.alarms.alarm import Alarm
from watchd.alarms.records import alarm_record, annunciation
from watchd.alarms.state import State, Told, Transition
from watchd.digest.schedule import Period
from watchd.digest.told import ToldDigests
from watchd.figures_text import FiguresText
from watchd.publish import Publish, Topics, encode, rfc3339, withdrawal
from watchd.reanchor_records import step_annunciation, step_record
from watchd.watch import Watch
from watchd.watch.bank import BankWatch
from watchd.watch.reanchor import News
from watchd.watch.watches import Watches

SERVICE_EVERY_S = 60.0
SERVICE_NEWS_S = 5.0  # when something was refused, dropped or failed
NEVER = float("-inf")
NOTHING_SAID: tuple[float, Advice | VoltageAdvice | None] = (NEVER, None)
KINDS = tuple(Kind)


class Publications:
    """Turns what happened into messages, and keeps in mind what was said last."""

    def __init__(self, prefix: str, figures_every_s: float, rules: int) -> None:
        self.topics = Topics(prefix)
        self.since = 0.0
        self.step_s = 0.0  # see Engine.step_clock
        self._figures_every_s, self._rules = figures_every_s, rules
        self._out: list[Publish] = []
        # Of each bank what was said last of each `Kind`, in their order, and when.
        self._said: dict[str, list[tuple[float, Advice | VoltageAdvice | None]]] = {}
        self._figures_at: dict[str, float] = {}
        self._figures: dict[str, FiguresText] = {}
        self._unknown: dict[str, tuple[str, ...]] = {}
        self._service_at, self._service_counted = NEVER, 0
        self._stamped = (NEVER, "")

    def take(self) -> list[Publish]:
        """What is to be published since the last call."""
        out, self._out = self._out, []
        return out

    def say(self, message: Publish) -> None:
        """Publish a message as it is."""
        self._out.append(message)

    def moved(self, alarm: Alarm, transition: Transition) -> None:
        """Something happened to an alarm."""
        self._unknown[alarm.key] = alarm.unknown
        self._out.append(self.record(alarm))
        if transition.told is Told.YES:
            payload = encode(annunciation(transition, alarm, self.step_s))
            self._out.append(Publish(self.topics.annunciation, payload, qos=1))

    def reanchored(self, news: News) -> None:
        """A re-anchoring is in another step. No flood holds it back: it may be all that says that
        a threshold is to be put back.
        """
        self._out.append(self.reanchoring(news.procedure))
        if news.told:
            payload = encode(step_annunciation(news.procedure, news.at, self.step_s))
            self._out.append(Publish(self.topics.annunciation, payload, qos=1))

    def reanchoring(self, procedure: Procedure) -> Publish:
        """The retained record of a re-anchoring."""
        payload = encode(step_record(procedure, self.step_s))
        return Publish(self.topics.reanchor(procedure.pack), payload, qos=1, retain=True)

    def unknowns(self, alarms: Iterable[Alarm]) -> None:
        """Renew the record of a standing alarm when its condition becomes unknown or known."""
        for alarm in alarms:
            if alarm.state is not State.NORMAL and (
                self._unknown.get(alarm.key, ()) != alarm.unknown
            ):
                self._unknown[alarm.key] = alarm.unknown
                self._out.append(self.record(alarm))

    def record(self, alarm: Alarm) -> Publish:
        """The retained record of an alarm; of a normal one, its withdrawal."""
        topic = self.topics.alarm(alarm.rule.name, alarm.subject)
        if alarm.state is State.NORMAL:
            return withdrawal(topic)
        return Publish(topic, encode(alarm_record(alarm, self.step_s)), qos=1, retain=True)

    def advised(self, bank: BankWatch, at: float) -> list[Advised]:
        """Say a bank's advice if it changed or is to be renewed; what was said, if it is new."""
        found, of_bank = [], self._said.get(bank.name)
        if of_bank is None:
            of_bank = self._said[bank.name] = [NOTHING_SAID] * len(KINDS)
        refresh_s = bank.refresh_s
        for place, (kind, advice) in enumerate(bank.suggested()):
            said_at, before = of_bank[place]
            renew = at - said_at >= refresh_s and advice.amount is not None
            if not renew and (before is advice or not worth_saying(before, advice)):
                continue
            of_bank[place] = (at, advice)
            self._out.extend(self._advice(bank, place))
            same = before is not None and (
                (before.amount, before.limited_by) == (advice.amount, advice.limited_by)
            )
            if not same:
                found.append(Advised(at, bank.name, kind, advice))
        return found

    def advice(self, bank: BankWatch) -> list[Publish]:
        """The messages of what was last advised for a bank."""
        return [message for place in range(len(KINDS)) for message in self._advice(bank, place)]

    def _advice(self, bank: BankWatch, place: int) -> list[Publish]:
        topic = self.topics.advice(KINDS[place], bank.name)
        number_topic = self.topics.advice_number(KINDS[place], bank.name)
        said = self._said.get(bank.name)
        said_at, advice = said[place] if said is not None else NOTHING_SAID
        if advice is None or advice.amount is None:
            return [withdrawal(topic), withdrawal(number_topic)]
        # A number is written as JSON would write it.
        life_s, number = bank.valid_for_s, repr(advice.amount).encode()
        first, *rest = advice.as_data().items()
        record = dict([first, ("until", self._stamp(said_at + life_s)), *rest])
        return [
            Publish(topic, encode(record), qos=1, retain=True, expires_in_s=life_s),
            Publish(number_topic, number, qos=1, retain=True, expires_in_s=life_s),
        ]

    def digests(self, told: ToldDigests) -> list[Publish]:
        """The digests that stand."""
        return [self.digest(period, record) for period, record in told.records()]

    def digest(self, period: Period, record: Mapping[str, Any]) -> Publish:
        """A digest. It stays until the next: it says itself what time it is about."""
        return Publish(self.topics.digest(period), encode(record), qos=1, retain=True)

    def stands(self, topic: str, watches: Watches, digests: ToldDigests) -> bool:
        """Whether watchd itself has a message retained on this topic.

        It is asked once for each message that somebody has left there, so nothing is written out.
        """
        kind, _, name = topic.removeprefix(f"{self.topics.prefix}/").partition("/")
        if kind == "service":
            return True
        if kind == "alarm":
            alarm = watches.alarms.get(name)
            return alarm is not None and alarm.state is not State.NORMAL
        if kind == "reanchor":
            pack = watches.packs.get(name)
            return pack is not None and pack.reanchor.procedure is not None
        if kind == "digest":
            return name in digests.wanted
        if kind == "figures":
            return any(watch.subject == name for watch in watches.subjects())
        return any(
            topic in (self.topics.advice(of, bank), self.topics.advice_number(of, bank))
            for bank, said in self._said.items()
            for of, (_, advice) in zip(KINDS, said, strict=True)
            if advice is not None and advice.amount is not None
        )

    def figures_due(self, watch: Watch, at: float) -> None:
        """Say the figures of a pack or bank, at most every `figures_every`."""
        if at - self._figures_at.get(watch.subject, NEVER) >= self._figures_every_s:
            self._figures_at[watch.subject] = at
            self._out.append(self.figures(watch, at))

    def figures(self, watch: Watch, at: float) -> Publish:
        """The figures of a pack or bank as of `at`."""
        text = self._figures.get(watch.subject)
        if text is None:
            text = self._figures[watch.subject] = FiguresText()
        payload = f'{{"at":"{self._stamp(at)}","figures":{text.of(watch.figures)}}}'.encode()
        return Publish(self.topics.figures(watch.subject), payload, qos=0, retain=True)

    def service_due(self, at: float, counts: Counter[str]) -> None:
        """Say that watchd runs: every minute, and soon after something was refused or dropped."""
        if at - self._service_at < SERVICE_NEWS_S:
            return
        counted = counts.total() - counts["messages"]
        every_s = SERVICE_EVERY_S if counted == self._service_counted else SERVICE_NEWS_S
        if at - self._service_at >= every_s:
            self._service_at, self._service_counted = at, counted
            self._out.append(self.service("running", self.since, counts))

    def service(self, state: str, since: float, counts: Counter[str]) -> Publish:
        """The record of the daemon itself."""
        data: dict[str, Any] = {
            "state": state,
            "since": self._stamp(since),
            "version": __version__,
            "rules": self._rules,
            "counts": dict(sorted(counts.items())),
        }
        return Publish(self.topics.service, encode(data), qos=1, retain=True)

    def _stamp(self, at: float) -> str:
        # A pack and its bank are told as of the same moment.
        shown = at + self.step_s
        if shown != self._stamped[0]:
            self._stamped = shown, rfc3339(shown)
        return self._stamped[1]
