"""Drives the engine: live, and through the inputs that came after the last saved state.

Both go the same way, so that after a kill the engine is where it was: no transition is lost, no
estimate jumps, and what was annunciated is known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import structlog

from watchd.bank_parts import join
from watchd.config import Config
from watchd.engine import Engine
from watchd.gathering import Gathering
from watchd.publish import Publish, Topics
from watchd.rules.rule import Rule
from watchd.shell.inputs import Fed, Input, Resumed, Told, apply
from watchd.shell.mqtt.annunciations import Annunciations
from watchd.shell.spool import MOST_ATTEMPTS, Spool
from watchd.shell.store import Loaded

log = structlog.get_logger("watchd")


class Heard(Protocol):
    """Called with each input that was told again: whether the message is not in the history yet,
    and whether what it led to is not in the journal yet.
    """

    def __call__(self, given: Input, *, unkept: bool, unsaved: bool) -> None: ...


class Gathered:
    """What is to be saved of a `Drive`, as of the moment at which it was asked for."""

    def __init__(self, gathering: Gathering, annunciations: dict[str, Any]) -> None:
        self._gathering, self._annunciations = gathering, annunciations

    def step(self) -> bool:
        """Take a part of it, while all goes on; whether another one is left."""
        return self._gathering.step()

    def state(self) -> dict[str, Any]:
        """All of it. A time of its own is for people who look into the store."""
        engine = self._gathering.whole()
        times: dict[str, Any] = {n: engine[n] for n in ("at", "step_s") if n in engine}
        return {**times, "engine": engine, "annunciations": self._annunciations}


class Drive:
    """The engine, what it is told, and the annunciations that wait for the broker."""

    def __init__(self, config: Config, rules: tuple[Rule, ...], spool: Spool) -> None:
        self.config, self.rules = config, rules
        self._spool = spool
        self.engine, self.annunciations = self._begun(None)

    @property
    def last(self) -> int:
        """The number of the newest input."""
        return self._spool.last

    def give(self, given: Input) -> list[Publish]:
        """Tell an input to the engine; what to publish because of it. Raises what it raises."""
        self._spool.add(given)
        return self._out(apply(self.engine, given))

    def take(self, messages: Sequence[Fed]) -> list[Publish]:
        """Tell messages that came together; what to publish because of them.

        All are spooled with one write before the first is told, and no state is taken in between.
        One on which the engine raises must not end the watch over all others.
        """
        self._spool.add(*messages)
        feed = self.engine.feed
        out: list[Publish] = []
        for at, topic, payload, retained, reply_to, correlation in messages:
            try:
                out += feed(topic, payload, at, retained, reply_to, correlation)
            except Exception:
                log.exception("a message could not be handled", topic=topic[:200])
                self.engine.count("failed")
        return self._out(out)

    def has(self, message: Publish) -> None:
        """The broker has a message."""
        number = self.annunciations.delivered(message)
        if number is not None:
            self._spool.add(Told(number))

    def broker_shows(self, payload: bytes) -> list[Publish]:
        """The broker's copy of the newest annunciation that it got; those not to be sent again."""
        found = self.annunciations.newest_at_broker(payload)
        if found is None:
            return []
        self._spool.add(Told(found[0]))
        return found[1]

    def go_on(self, at: float, config: Config, rules: tuple[Rule, ...]) -> list[Publish]:
        """With another engine from the state of this one: config or rules are others now.

        Raises what the new one raises; then all is as it was.
        """
        engine = _engine(config, rules, self.engine.snapshot())
        out = engine.tick(at)
        self.engine, self.config, self.rules = engine, config, rules
        self.annunciations.topic = Topics(config.prefix).annunciation
        self._spool.add(Resumed(at))
        return self._out(out)

    def resume(self, at: float) -> list[Publish]:
        """After `restore`: time goes on from here."""
        return self.go_on(at, self.config, self.rules)

    def adopt(self, parts: Mapping[str, Mapping[str, Any]]) -> None:
        """Go on with the states that others saved of these banks, before time goes on."""
        self.engine = _engine(self.config, self.rules, join(self.engine.snapshot(), parts))

    def state(self) -> dict[str, Any]:
        """All that is to be saved."""
        return self.gather().state()

    def gather(self, each: Callable[[Any], Any] = lambda of_one: of_one) -> Gathered:
        """The same, as of now, for who takes it step by step; `each`: see `Engine.snapshot`."""
        return Gathered(self.engine.gather(each), self.annunciations.snapshot())

    def restore(self, loaded: Loaded, heard: Heard) -> int:
        """Go to where the last run was; how many inputs were told again."""
        base, upto = loaded.base, loaded.kept_upto
        if base is None:
            base, upto = loaded.state, loaded.state_upto
        self.engine, self.annunciations = self._begun(base)
        again = 0
        if self._spool.attempts() <= MOST_ATTEMPTS:
            for given in self._spool.read(min(upto, loaded.kept_upto)):
                if self.last > upto:
                    again += 1
                    self._again(given)
                heard(
                    given,
                    unkept=self.last > loaded.kept_upto,
                    unsaved=self.last > loaded.state_upto,
                )
        else:
            log.warning("the inputs since the last save are left out: with them, the start failed")
        if self.last < loaded.state_upto:
            # A power cut has taken the spool, or a hole ends it too soon.
            again = 0
            self.engine, self.annunciations = self._begun(loaded.state)
            self._spool.last = loaded.state_upto
        self._spool.was_read()
        return again

    def _begun(self, state: dict[str, Any] | None) -> tuple[Engine, Annunciations]:
        saved = state or {}
        # Until version 2 of the store, the engine's was all.
        of_engine = saved.get("engine") if "engine" in saved else saved
        engine = _engine(self.config, self.rules, of_engine if isinstance(of_engine, dict) else {})
        topic = Topics(self.config.prefix).annunciation
        try:
            return engine, Annunciations(topic, saved.get("annunciations"))
        except (ValueError, TypeError, AttributeError) as error:
            log.warning("the annunciations that waited cannot be read", reason=str(error))
            return engine, Annunciations(topic)

    def _again(self, given: Input) -> None:
        if isinstance(given, Told):
            self.annunciations.told(given.number)
        elif isinstance(given, Resumed):
            self.engine = _engine(self.config, self.rules, self.engine.snapshot())
            self._out(self.engine.tick(given.at))
        else:
            try:
                self._out(apply(self.engine, given))
            except Exception:
                log.exception("an input could not be handled again")

    def _out(self, messages: list[Publish]) -> list[Publish]:
        if messages:
            self.annunciations.take(messages)
        return messages


def _engine(config: Config, rules: tuple[Rule, ...], state: dict[str, Any]) -> Engine:
    """One that goes on from a state; from nothing where it is empty."""
    return Engine(config, rules, state=state or None, tells_samples=True, tells_trends=True)
