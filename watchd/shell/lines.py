"""Lines of the log that say how the service starts, and what a reload found."""

from __future__ import annotations

import platform
from collections.abc import Collection
from pathlib import Path
from typing import Any

import structlog

from watchd import __version__
from watchd.alarms.state import Transition
from watchd.config import Config
from watchd.engine import Engine
from watchd.messages import JournalEntry
from watchd.publish import rfc3339
from watchd.shell.drive import Drive
from watchd.shell.reload import Files, Found
from watchd.shell.spool import Spool

# A person has edited something and looks for the answer, however often.
MOST_AN_HOUR = 100
MOST_NAMED = 50
log = structlog.get_logger("watchd")


def say_start(
    files: Files, drive: Drive, spool: Spool, state: dict[str, Any] | None, told_again: int
) -> None:
    """All that matters, in one line. `told_again`: inputs that came after the saved state."""
    config = drive.config
    broker, store = config.broker, Path(config.store.path)
    log.info(
        "watchd starts",
        version=__version__,
        python=platform.python_version(),
        config=str(files.config_path),
        rules=len(drive.rules),
        folder=str(files.folder),
        banks=_named(config.banks),
        packs=_named(config.packs),
        broker=f"{broker.host}:{broker.port}",
        mqtt=broker.protocol,
        tls=broker.tls is not None,
        prefix=config.prefix,
        store=str(store),
        store_mb=megabytes(store),
        state=_state_text(state),
        spool=str(spool.folder) if spool.folder is not None else None,
        told_again=told_again,
    )


def say_problems(found: Found) -> None:
    """A line for each. The place is in the text; a traceback would say nothing to the keeper."""
    for event, problems in (
        ("the config does not load; the old one stays", found.config_problems),
        ("rules do not load; the old ones stay", found.rules_problems),
    ):
        for problem in problems:
            log.error(event, problem=str(problem), most_an_hour=MOST_AN_HOUR)


def _named(names: Collection[str]) -> list[str] | int:
    """The names, or how many they are where a line would be too long."""
    return list(names) if len(names) <= MOST_NAMED else len(names)


def say_in_force(found: Found, files: Files, before: Config) -> None:
    """What is in force from now on."""
    config = found.config
    if config is not None:
        log.info(
            "config loaded",
            config=str(files.config_path),
            banks=_named(config.banks),
            packs=_named(config.packs),
            most_an_hour=MOST_AN_HOUR,
        )
        if config.store != before.store:
            log.warning(
                "changes of the store are taken at the next start",
                store=config.store.path,
                most_an_hour=MOST_AN_HOUR,
            )
    if found.rules is not None:
        log.info(
            "rules loaded",
            rules=len(found.rules),
            folder=str(files.folder),
            most_an_hour=MOST_AN_HOUR,
        )


def say_transition(transition: Transition, entry: JournalEntry) -> None:
    """Something happened to an alarm."""
    log.info(
        "alarm",
        rule=transition.rule.name,
        subject=transition.subject,
        happened=entry["event"],
        state=entry["state"],
        told=entry["told"],
        text=entry["text"],
        **({"by": entry["by"], "by_how": str(transition.by_how)} if entry["by"] else {}),
    )


def say_notes(engine: Engine) -> None:
    """What the core wants logged."""
    for note in engine.take_notes():
        (log.warning if note.warning else log.info)(note.event, **note.fields)


def say_steps(engine: Engine) -> bool:
    """Steps of re-anchorings; whether there were any."""
    steps = engine.take_steps()
    for news in steps:
        step = news.procedure
        log.info("re-anchoring", pack=step.pack, way=str(step.way), step=str(step.step))
    return bool(steps)


def say_advice(engine: Engine) -> None:
    """Changes of advice; a withdrawal is worth more than a change."""
    for said in engine.take_advice():
        advice = said.advice
        level = log.debug if advice.amount is not None else log.info
        level(said.kind, bank=said.bank, amount=advice.amount, because=advice.because)


def megabytes(store: Path) -> float | None:
    """The size of a store, with what the database has not yet moved from its log into it.

    None where there is none, or it is not for this user to see.
    """
    try:
        log_file = store.with_name(f"{store.name}-wal")
        more = log_file.stat().st_size if log_file.exists() else 0
        return round((store.stat().st_size + more) / 1e6, 2)
    except OSError:
        return None


def _state_text(state: dict[str, Any] | None) -> str:
    if not state:
        return "fresh"
    try:
        return f"restored, of {rfc3339(state['at'] + state.get('step_s', 0.0))}"
    except (KeyError, TypeError, ValueError, OverflowError, OSError):
        return "saved, but not to be read"
