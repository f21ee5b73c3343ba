"""Config and rules read anew while the service runs, and what takes the place of what.

Nothing here stops the watch: what does not load leaves the old in force.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from watchd.config import Config
from watchd.engine import Engine
from watchd.errors import Problem, WatchdError
from watchd.loading import load_config, load_rules, rule_files, rules_folder
from watchd.own_rules import Fault
from watchd.publish import Publish, Topics, withdrawal
from watchd.rules.rule import Rule
from watchd.shell.drive import Drive
from watchd.shell.mqtt.credentials import Secrets


@dataclass(frozen=True, slots=True)
class Found:
    """What was found on the disk. None: it does not load, and the problems say why."""

    config: Config | None = None
    secrets: Secrets | None = None
    config_problems: tuple[Problem, ...] = ()
    rules: tuple[Rule, ...] | None = None
    rules_problems: tuple[Problem, ...] = ()

    def faults(self) -> Iterator[tuple[Fault, str | None]]:
        """Of what was read: what is wrong with it, or that nothing is (None)."""
        if self.config is not None or self.config_problems:
            yield Fault.CONFIG, _first(self.config_problems)
        yield Fault.RULES, _first(self.rules_problems)


class Files:
    """Where config and rules lie, and the rules' files as they were when last read."""

    def __init__(
        self,
        config_path: str,
        rules_option: str | None,
        config: Config,
        instance: int | None = None,
    ) -> None:
        self._instance = instance
        self.config_path, self._rules_option = Path(config_path), rules_option
        self.folder = rules_folder(self.config_path, config, rules_option)
        self._stamp = self._stamp_now()

    def rules_changed(self) -> bool:
        """Whether a file of the rules is another than when they were last read."""
        return bool(self._stamp_now() != self._stamp)

    def read(self) -> Found:
        """Config, secrets and rules, each with its problems."""
        config: Config | None = None
        secrets: Secrets | None = None
        problems: tuple[Problem, ...] = ()
        try:
            config = load_config(self.config_path, self._instance)
            secrets = Secrets.of(config.broker)
            self.folder = rules_folder(self.config_path, config, self._rules_option)
        except WatchdError as error:
            config, secrets, problems = None, None, error.problems
        return replace(self.read_rules(), config=config, secrets=secrets, config_problems=problems)

    def read_rules(self) -> Found:
        """The rules alone."""
        # Before they are read: what is written meanwhile is seen at the next look.
        self._stamp = self._stamp_now()
        try:
            return Found(rules=load_rules(self.folder))
        except WatchdError as error:
            return Found(rules_problems=error.problems)

    def _stamp_now(self) -> Any:
        try:
            return [
                (str(p), s.st_mtime_ns, s.st_size)
                for p in rule_files(self.folder)
                for s in [p.stat()]
            ]
        except (WatchdError, OSError):
            return None


@dataclass(frozen=True, slots=True)
class Succession:
    """What is said once a new engine is in the place of an old one.

    `gone` withdraws what no longer stands, `farewell` all that the old one had standing.
    """

    out: list[Publish]
    gone: list[Publish]
    farewell: list[Publish]


def succeed(drive: Drive, config: Config, rules: tuple[Rule, ...], at: float) -> Succession:
    """Have it driven on with these.

    An alarm whose rule is the same stays as it is; what stood retained of packs, banks or a
    prefix that are no more is withdrawn.
    """
    stood, prefix = _topics(drive.engine), drive.config.prefix
    newest = Topics(prefix).newest_annunciation
    out = drive.go_on(at, config, rules)
    # Texts and priorities may be others now, also of alarms that stand.
    out = [*out, *drive.engine.retained()]
    gone = stood - _topics(drive.engine) | ({newest} if prefix != config.prefix else set())
    return Succession(out, _withdrawn(gone), _withdrawn({*stood, newest}))


def _withdrawn(topics: set[str]) -> list[Publish]:
    return [withdrawal(topic) for topic in sorted(topics)]


def wants_other_links(old: Config, old_secrets: Secrets, new: Config, secrets: Secrets) -> bool:
    """Whether the links to the broker have to be made anew: who, where, and what is subscribed."""
    return (_wiring(old), old_secrets) != (_wiring(new), secrets)


def is_same_broker(old: Config, new: Config) -> bool:
    """Whether both mean the same broker, however they get to it."""
    return (old.broker.host, old.broker.port) == (new.broker.host, new.broker.port)


def _wiring(config: Config) -> tuple[Any, ...]:
    telemetry = config.telemetry
    return (
        config.broker,
        config.prefix,
        config.sources,
        # One of several subscribes to the topics of its own banks.
        None if config.share is None else [b.topic_name or n for n, b in config.banks.items()],
        telemetry.max_payload_bytes,
        telemetry.max_waiting,
    )


def _topics(engine: Engine) -> set[str]:
    return {message.topic for message in engine.retained() if message.payload}


def _first(problems: tuple[Problem, ...]) -> str | None:
    return str(problems[0]) if problems else None
