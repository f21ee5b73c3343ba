"""The core: messages and time in, messages to publish out. No clock, no I/O, no task.

`run`, `replay`, the rule examples and the tests all drive this, so what is tested is what runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any

from watchd.advice.advice import Advised, Kind
from watchd.agenda import Agenda
from watchd.alarms.alarm import Alarm
from watchd.alarms.annunciator import Annunciator
from watchd.alarms.state import WITHHELD, State, Transition
from watchd.beginning import begin_from
from watchd.config import Config
from watchd.digest.schedule import Period
from watchd.digest.told import ToldDigests
from watchd.figures import rounded
from watchd.gathering import Gathering, gathering_of
from watchd.history.trending import Look, Trending
from watchd.notes import Note
from watchd.operator_actions import OperatorActions
from watchd.own_rules import FLOOD, NO_FAULT, Fault
from watchd.publications import Publications
from watchd.publish import Publish, withdrawal
from watchd.reanchor_actions import ReanchorActions
from watchd.reception import Limiter, Reception
from watchd.requests import JournalQuery
from watchd.rules.rule import Rule
from watchd.saved_state import check_state
from watchd.telemetry.gate import Gate
from watchd.watch import Watch
from watchd.watch.bank import BankWatch
from watchd.watch.heard import Heard
from watchd.watch.measured import Measured
from watchd.watch.pack import PackWatch
from watchd.watch.reanchor import News
from watchd.watch.service import ServiceWatch
from watchd.watch.watches import Watches

STATE_VERSION = 1
FLOOD_KEY = f"{FLOOD}/service/watchd"
# Of a longer silence (a gap in a recording, a machine that slept) only this much is lived through.
LONGEST_SILENCE_S = 3 * 86400.0
MOST_LEFT_A_MINUTE = 1000
TOO_MUCH_LEFT = "more is left below this prefix than watchd takes away at once"
NO_SUCH_ANSWER = "its response topic is none on which watchd answers"


class Engine:
    """Watches the banks of a config by its rules.

    `feed` each message and call `tick` about once a second; both return what to publish. Times
    are Unix seconds; one that lies before an earlier one counts as that one. `state` is a
    snapshot of an engine of the same kind, on the same or a changed config and rules. With
    `explains`, alarms note when each part of their conditions changed, for who asks why; with
    `tells_samples` somebody calls `take_samples`, with `tells_trends` `take_trends`. `banks`: those
    of the config that it watches, all by default.
    """

    def __init__(
        self,
        config: Config,
        rules: Sequence[Rule],
        state: dict[str, Any] | None = None,
        *,
        explains: bool = True,
        tells_samples: bool = False,
        tells_trends: bool = False,
        banks: Collection[str] | None = None,
    ) -> None:
        self._config, self._explains, self._tells_samples = config, explains, tells_samples
        self._banks = config.banks if banks is None else banks
        self._rules = tuple(rule for rule in rules if not rule.disabled)
        self._counts: Counter[str] = Counter()
        self._gate = Gate(config, self._counts)
        self._own_prefix = f"{config.prefix}/"
        self._left = Limiter(MOST_LEFT_A_MINUTE)
        self._say = self._speaker()
        self._reception = Reception(config.requests, self._say.topics, self._gate.is_bridges)
        self._saved = state
        self._begun = False
        # Kept time never jumps: where the system's clock was set, it shows `_step_s` more.
        self._now = self._step_s = 0.0
        self._annunciator = Annunciator()
        self._watches = Watches({}, {}, ServiceWatch((), {}, self._annunciator))
        self._gathering: Gathering | None = None
        self._raised: set[str] = set()
        self._actions = self._acting()
        self._agenda = Agenda()
        self._digests = ToldDigests(config.digest.wanted(), 0.0)
        self._queries: list[JournalQuery] = []
        self._transitions: list[Transition] = []
        self._advised: list[Advised] = []
        self._steps: list[News] = []
        self._samples: list[Measured] = []
        self._trending = Trending() if tells_trends else None

    # --- what goes in ---

    def feed(
        self,
        topic: str,
        payload: bytes,
        at: float,
        retained: bool = False,
        reply_to: str | None = None,
        correlation: bytes = b"",
    ) -> list[Publish]:
        """Take a message that arrived `at`; what to publish because of it.

        Never raises for what a payload or topic holds. `retained`: the broker gave it out as
        retained, so it is history and never fresh. `reply_to` and `correlation` are MQTT 5's
        response topic and correlation data.
        """
        self._advance(at)
        if topic.startswith(self._own_prefix):
            self._own_topic(topic, payload, retained, reply_to, correlation)
        else:
            if self._gathering is not None:
                for pack in self._gate.packs_of(topic):
                    self._about_to_change(f"pack/{pack}")
            for pack, renewed in self._gate.take(
                topic,
                payload,
                self._now,
                self._watches.parts,
                retained=retained,
                step_s=self._step_s,
            ):
                self._evaluate_pack(self._watches.packs[pack], self._now, renewed)
        return self._say.take()

    def tick(self, at: float) -> list[Publish]:
        """Time has passed: delays end, telemetry goes stale, advice is renewed."""
        self._advance(at)
        return self._say.take()

    def fault(self, what: Fault, why: str | None, at: float) -> list[Publish]:
        """Say what is wrong with watchd's own files, or that it no longer is (None)."""
        self._advance(at)
        self._watches.service.figures[what] = why[:300] if why is not None else NO_FAULT
        self._evaluate(self._watches.service, self._now)
        return self._say.take()

    def digest(self, period: Period, record: Mapping[str, Any], at: float) -> list[Publish]:
        """A digest was made `at`: it stands from now on, until the next."""
        self._advance(at)
        if self._digests.tell(period, record, at):
            self._say.say(self._say.digest(period, record))
        return self._say.take()

    def step_clock(self, seconds: float) -> None:
        """The system's clock was set: it shows `seconds` more (or less) than it would have.

        No time has passed by it: delays and ages go on as they were, and what is published from
        now on, also of times past, is in the new reckoning.
        """
        self._step_s += seconds
        self._say.step_s = self._step_s

    def farewell(self, at: float) -> list[Publish]:
        """The last words of a daemon that stops on purpose: advice is withdrawn."""
        self._advance(at)
        out = self._say.take()
        for name in self._watches.banks:
            for kind in Kind:
                out.append(withdrawal(self._say.topics.advice(kind, name)))
                out.append(withdrawal(self._say.topics.advice_number(kind, name)))
        return [*out, self._say.service("stopped", self._now, self._counts)]

    def count(self, what: str, number: int = 1) -> None:
        """Add to one of the counters of `service`, for what the shell alone can see."""
        self._counts[what] += number

    # --- what comes out ---

    def snapshot(self, each: Callable[[Any], Any] = lambda of_one: of_one) -> dict[str, Any]:
        """Plain data (of JSON's kinds) from which `Engine(config, rules, state=...)` goes on.

        `each` takes the state of a pack or an alarm as soon as it is there, and gives what is to
        stand for it: those of a thousand packs together take 100 MB.
        """
        return self._gathered(each).whole() if self._begun else self._saved or {}

    def gather(self, each: Callable[[Any], Any] = lambda of_one: of_one) -> Gathering:
        """The same, of this moment, but for who takes it step by step while the engine goes on."""
        self._finish_gathering()
        self._gathering = self._gathered(each) if self._begun else Gathering(self._saved or {})
        return self._gathering

    def retained(self) -> list[Publish]:
        """All that stands retained, for a broker that may have lost it."""
        if not self._begun:
            return []
        out = [self._say.service("running", self._say.since, self._counts)]
        out.extend(
            self._say.record(a) for a in self._watches.alarms.values() if a.state != State.NORMAL
        )
        out.extend(
            self._say.reanchoring(watch.reanchor.procedure)
            for watch in self._watches.packs.values()
            if watch.reanchor.procedure is not None
        )
        for bank in self._watches.banks.values():
            out.extend(self._say.advice(bank))
        out.extend(self._say.digests(self._digests))
        out.extend(self._say.figures(watch, self._now) for watch in self._watches.subjects())
        return out

    def digest_told_at(self, period: Period) -> float | None:
        """When a digest was told last (Unix s as the clock showed them), or could be at first."""
        return self._digests.told_at(period)

    def heard(self) -> dict[str, Heard]:
        """Of each pack in service: whether its telemetry is fresh, and when the last came."""
        return {
            name: Heard(watch.parts.is_heard(self._now), watch.parts.heard_at())
            for name, watch in self._watches.packs.items()
        }

    @property
    def step_s(self) -> float:
        """What the system's clock shows more than kept time, in which transitions are told."""
        return self._step_s

    def subscriptions(self) -> list[str]:
        """The topic filters of telemetry."""
        return self._gate.subscriptions()

    def leaves(self, topic: str) -> bool:
        """Whether another daemon sees to this topic, which is not to be fed then; it is counted."""
        leaves = self._gate.is_of_others(topic) and not topic.startswith(self._own_prefix)
        if leaves:
            self._counts["of_others"] += 1
        return leaves

    def take_notes(self) -> list[Note]:
        """What is to be logged since the last call."""
        return self._gate.take_notes()

    def take_transitions(self) -> list[Transition]:
        """Changes of alarms since the last call."""
        found, self._transitions = self._transitions, []
        return found

    def take_queries(self) -> list[JournalQuery]:
        """What was asked of the journal since the last call."""
        found, self._queries = self._queries, []
        return found

    def take_advice(self) -> list[Advised]:
        """Changes of advice since the last call."""
        found, self._advised = self._advised, []
        return found

    def take_steps(self) -> list[News]:
        """Steps of re-anchorings since the last call; each wants to be saved."""
        found, self._steps = self._steps, []
        return found

    def take_samples(self) -> list[Measured]:
        """Samples of packs that messages renewed since the last call, for a history."""
        found, self._samples = self._samples, []
        return found

    def take_trends(self) -> list[Look]:
        """What is to be kept of the figures of packs and banks since the last call."""
        return self._trending.take() if self._trending is not None else []

    def pack_days(self) -> Iterator[Look]:
        """Of each pack the day so far: what `take_trends` tells only when a day has ended."""
        if not self._begun or self._trending is None:
            return
        for watch in self._watches.packs.values():
            yield self._trending.day_so_far(watch, self._now + self._step_s)

    def raised(self) -> int:
        """How many alarms stand raised."""
        return len(self._raised)

    def counts(self) -> Counter[str]:
        """Messages since the beginning, and what of them was refused or concerned nobody."""
        return self._counts.copy()

    def figures(self) -> dict[str, dict[str, Any]]:
        """The figures of each pack and bank as of the last evaluation, by subject."""
        return {watch.subject: rounded(watch.figures) for watch in self._watches.subjects()}

    def alarms(self) -> list[Alarm]:
        """Every alarm, whatever its state."""
        return list(self._watches.alarms.values())

    # --- what is saved ---

    def _gathered(self, each: Callable[[Any], Any]) -> Gathering:
        state = {
            "version": STATE_VERSION,
            "at": self._now,
            "step_s": self._step_s,
            "since": self._say.since,
            "due": self._agenda.snapshot(self._watches.index),
            "annunciator": self._annunciator.snapshot(),
            "digests": self._digests.snapshot(),
            "counts": dict(self._counts),
        }
        return gathering_of(state, self._watches, self._trending, each)

    def _finish_gathering(self) -> None:
        """Much is about to change."""
        if self._gathering is not None:
            self._gathering.finish()
            self._gathering = None

    def _about_to_change(self, subject: str) -> None:
        """Call this before anything of the subject, or of its bank, becomes another."""
        if self._gathering is not None:
            self._gathering.before(self._watches.bank_of(subject))
            if self._gathering.is_whole:
                self._gathering = None

    # --- time ---

    def _advance(self, at: float) -> None:
        """Do all that is due until `at`, in the order of its times."""
        if not self._begun:
            self._begin(at)
        now = max(at - self._step_s, self._now)
        if now - self._now > LONGEST_SILENCE_S:
            self._finish_gathering()
            self._live_until(self._now + LONGEST_SILENCE_S)
            for transition in self._watches.pause(self._now, now):
                self._moved(transition)
            if self._trending is not None:
                self._trending.pause()
            for watch in self._watches.all:
                self._evaluate(watch, now)
        self._live_until(now)
        self._say.service_due(now, self._counts)

    def _live_until(self, now: float) -> None:
        self._now = now
        while (due := self._agenda.pop_until(now)) is not None:
            self._fallen_due(*due)

    def _fallen_due(self, at: float, index: int) -> None:
        watch = self._watches.all[index]
        if isinstance(watch, PackWatch):
            self._evaluate_pack(watch, at)
        else:
            self._evaluate(watch, at)

    def _evaluate(self, watch: Watch, at: float) -> None:
        if isinstance(watch, PackWatch):
            self._evaluate_alone(watch, at)
        elif isinstance(watch, BankWatch):
            self._evaluate_bank(watch, at)
        else:
            self._take_through_rules(watch, at)
            self._look_again(watch)

    def _evaluate_pack(
        self, watch: PackWatch, at: float, renewed: frozenset[str] = frozenset()
    ) -> None:
        watch.take(renewed)
        self._evaluate_alone(watch, at)
        if renewed and self._tells_samples:
            measured = watch.measured(at + self._step_s)
            if measured is not None:
                self._samples.append(measured)
        self._evaluate_bank(self._watches.banks[watch.pack.bank], at)
        for name in watch.news_of_missing(at):
            self._gate.note(at, "mapped, but never came", watch.subject, name)
        if watch.begun_anew:
            for why in watch.take_begun_anew():
                self._gate.note(at, "estimator begun anew", watch.subject, why)

    def _evaluate_alone(self, watch: PackWatch, at: float) -> None:
        """A pack without its bank."""
        if self._gathering is not None:
            self._about_to_change(watch.subject)
        # What a start looks at was looked at before it.
        trending = self._trending if self._begun else None
        if trending is not None:
            trending.before(watch, at + self._step_s)
        self._take_through_rules(watch, at)
        if trending is not None:
            trending.look_at_pack(watch, at, at + self._step_s)
        for news in watch.reanchor.take_news():
            self._say.reanchored(news)
            self._steps.append(news)
        self._say.figures_due(watch, at)
        self._look_again(watch)

    def _evaluate_bank(self, watch: BankWatch, at: float) -> None:
        if self._gathering is not None:
            self._about_to_change(watch.subject)
        self._take_through_rules(watch, at)
        if self._trending is not None and self._begun:
            self._trending.look_at_bank(watch, at + self._step_s)
        self._advised += self._say.advised(watch, at)
        for subject in watch.take_woken():
            self._agenda.set(self._watches.index[subject], at)
        self._say.figures_due(watch, at)
        self._look_again(watch)

    def _take_through_rules(self, watch: Watch, at: float) -> None:
        for transition in watch.evaluate(at):
            self._moved(transition)
        awake = watch.awake()
        if awake:
            self._say.unknowns(awake)

    def _look_again(self, watch: Watch) -> None:
        self._agenda.set(self._watches.index[watch.subject], watch.next_at())

    def _moved(self, transition: Transition) -> None:
        """Something happened to an alarm: take account, judge whether people are told, say so."""
        alarm = self._counted(transition)
        transition = self._annunciator.follow_group(transition, alarm)
        if self._annunciator.follow(transition):
            # A flood is said before what it holds back.
            self._evaluate(self._watches.service, transition.at)
        flood = self._watches.alarms[FLOOD_KEY]
        # One that a person has put aside tells nobody, so it must hold nothing back.
        stands = flood.is_raised and flood.state not in WITHHELD
        transition = self._annunciator.judge(transition, flood=stands)
        self._transitions.append(transition)
        self._say.moved(alarm, transition)

    def _counted(self, transition: Transition) -> Alarm:
        """The alarm that has moved."""
        alarm = self._watches.alarms[transition.key]
        if alarm.is_raised:
            self._raised.add(alarm.key)
        else:
            self._raised.discard(alarm.key)
        return alarm

    # --- beginning, with or without a saved state ---

    def _begin(self, at: float) -> None:
        saved = self._saved or {}
        try:
            if saved.get("version", STATE_VERSION) != STATE_VERSION:
                raise ValueError("of another version")  # noqa: TRY301
            check_state(saved)
            self._build(at, saved)
            self._renew_edited(saved.get("alarms", {}))
            self._evaluate_all()
            self._agenda.keep(saved.get("due", {}), self._watches.index, self._now)
            if saved:
                self._gathered(lambda of_one: of_one).whole()  # or it could not be saved again
        except Exception as error:  # noqa: BLE001 - a damaged state may be wrong in any way
            # Better to watch without a past than not to watch.
            self._gate.note(at, "saved state not used", "state", f"{type(error).__name__}: {error}")
            self._forget()
            self._build_anew(at, saved)
            self._evaluate_all()
        self._saved = None
        self._begun = True

    def _evaluate_all(self) -> None:
        for watch in self._watches.all:
            self._evaluate(watch, self._now)

    def _forget(self) -> None:
        """Take back what was said on the way into a state that cannot be used."""
        self._say = self._speaker()
        self._agenda = Agenda()
        self._transitions, self._advised, self._steps, self._samples = [], [], [], []
        self._trending = Trending() if self._trending is not None else None

    def _speaker(self) -> Publications:
        every_s = self._config.telemetry.figures_every
        return Publications(self._config.prefix, every_s, len(self._rules))

    def _build_anew(self, at: float, saved: dict[str, Any]) -> None:
        """Without a past, but for a threshold that somebody has lowered and is to put back."""
        try:
            kept = {"reanchor": saved.get("reanchor", {})}
            check_state(kept)
            self._build(at, kept)
        except Exception:  # noqa: BLE001 - as in `_begin`
            self._build(at, {})

    def _build(self, at: float, saved: dict[str, Any]) -> None:
        begun = begin_from(
            saved,
            self._config,
            self._rules,
            self._gate.stale_limits_s,
            at,
            explains=self._explains,
            banks=self._banks,
        )
        self._now, self._step_s = begun.now, begun.step_s
        self._say.step_s, self._say.since = begun.step_s, begun.since
        self._digests = ToldDigests(self._config.digest.wanted(), at, saved.get("digests"))
        self._counts.clear()
        self._counts.update(begun.counts)
        self._annunciator, self._watches = begun.annunciator, begun.watches
        self._raised = {a.key for a in self._watches.alarms.values() if a.is_raised}
        self._actions = self._acting()
        if self._trending is not None:
            self._trending = Trending(saved.get("trends"))
        if begun.unwatched_from is not None:
            if self._trending is not None:
                self._trending.pause()
            for transition in self._watches.pause(begun.unwatched_from, begun.now):
                self._moved(transition)

    def _acting(self) -> OperatorActions:
        longest_s = self._config.alarms.longest_shelve
        watches = self._watches
        reanchoring = ReanchorActions(watches.packs, self._config.profile.upper_knee_v)
        return OperatorActions(
            watches.alarms,
            longest_s,
            watches.figures_of,
            watches.audit,
            reanchoring,
            self._about_to_change,
        )

    def _renew_edited(self, alarms: dict[str, Any]) -> None:
        """Where a rule or subject is gone, or the rule is another now, the record says so."""
        for key, state in alarms.items():
            alarm = self._watches.alarms.get(key)
            if alarm is None and state.get("shown", state["state"]) != State.NORMAL:
                self._say.say(withdrawal(f"{self._config.prefix}/alarm/{key}"))
            elif alarm is not None and state["digest"] != alarm.rule.digest:
                self._say.say(self._say.record(alarm))

    # --- watchd's own topics ---

    def _own_topic(
        self, topic: str, payload: bytes, retained: bool, reply_to: str | None, correlation: bytes
    ) -> None:
        if self._say.topics.is_request(topic):
            if not retained and self._reception.listens(topic):
                # A request from before is history as well.
                self._request(topic, payload, reply_to, correlation)
        elif retained and payload and not self._say.stands(topic, self._watches, self._digests):
            # Left by an earlier run: a rule, pack or bank that is no more, or advice of before.
            # Left by somebody else, it may be more than can be taken away at once.
            if self._left.wait_s("", self._now):
                self._gate.note(self._now, "not taken away", self._config.prefix, TOO_MUCH_LEFT)
            else:
                self._say.say(withdrawal(topic))

    def _request(
        self, asked_on: str, payload: bytes, reply_to: str | None, correlation: bytes
    ) -> None:
        self._counts["requests"] += 1
        received = self._reception.take(asked_on, payload, reply_to, correlation, self._now)
        if received.refused is not None:
            self._counts["requests_refused"] += 1
            self._gate.note(self._now, "request refused", asked_on, received.refused)
            if received.answer is not None:
                self._say.say(received.answer)
            return
        if reply_to is not None and received.answer_to is None:
            self._gate.note(self._now, "request not answered", asked_on, NO_SUCH_ANSWER)
        outcome = self._actions.take(payload, received, correlation, self._now, self._step_s)
        if outcome.refused is not None:
            self._gate.note(self._now, "request refused", asked_on, outcome.refused)
        if outcome.query is not None:
            self._queries.append(outcome.query)
        if outcome.transition is not None:
            self._moved(outcome.transition)
            # The end of a shelf is a moment to look again.
            watch = self._watches.of(outcome.transition.subject)
            self._agenda.set(self._watches.index[watch.subject], watch.next_at())
        if outcome.renewed is not None:
            self._evaluate_pack(self._watches.packs[outcome.renewed], self._now)
        if outcome.answer is not None:
            self._say.say(outcome.answer)
