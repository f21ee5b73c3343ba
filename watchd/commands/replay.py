"""`watchd replay`: what the rules would have done with a recording."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from watchd.advice.advice import Advised, Kind
from watchd.alarms.state import Event, Told, Transition
from watchd.commands.account_table import account_data, account_table
from watchd.commands.against import compare
from watchd.commands.options import add_command, add_config
from watchd.commands.recording import add_recordings, tell_strange
from watchd.commands.replaying import replayed
from watchd.config import Config
from watchd.durations import show_duration
from watchd.errors import WatchdError
from watchd.loading import load, load_rules, rules_folder
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.shell.store.keeping import Keeping
from watchd.tuning.account import Account

LEAST_SHOWN_A = 2.0
LEAST_SHOWN_PART = 0.2
_TELLS = frozenset({Event.RAISED, Event.RE_ALARMED, Event.CHATTERING, Event.STALE})
_NOT_TOLD = {
    Told.SILENT: ", silent",
    Told.CHATTERING: ", not told again: it chatters",
    Told.FLOOD: ", not told alone: in a flood",
    Told.STALE: ", not told: nothing fresh comes",
    Told.FOLLOWS: ", not told: follows from what was",
}


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "replay",
        "run config and rules over a recording, and show what would be raised",
        "watchd replay --config config.yaml july.jsonl.gz\n"
        "  watchd replay july.jsonl.gz --summary --keep july.db\n"
        "  watchd replay july.jsonl.gz --against new-rules/\n"
        "  watchd replay --dask tcp://scheduler:8786 '/data/{bank}.jsonl.gz'",
    )
    add_config(parser)
    add_recordings(parser)
    parser.add_argument("--summary", action="store_true", help="the table without the timeline")
    parser.add_argument(
        "--against",
        metavar="OTHER_RULES",
        help="a folder or file: show what these rules would add, remove and move (default: none)",
    )
    parser.add_argument(
        "--keep",
        metavar="FILE",
        help="write what watchd would have kept into a new store (default: nowhere)",
    )
    parser.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="replay each bank by itself on the Dask cluster whose scheduler is there; {bank} in "
        "the path of a recording is the bank's name (default: here, all banks together)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Feed the recording to the engine, and print what comes of it."""
    config, rules = load(options.config, options.rules, options.instance)
    if options.dask is not None:
        return _on_dask(options, config)
    if options.against is not None:
        if options.keep is not None:
            raise WatchdError("--keep goes with one set of rules, not with --against")
        return compare(options, config, rules, load_rules(Path(options.against)))
    with ExitStack() as stack:
        keeping = None
        if options.keep is not None:
            keeping = stack.enter_context(Keeping(Path(options.keep), config))
        return _replay(options, config, rules, keeping)


def _on_dask(options: argparse.Namespace, config: Config) -> int:
    from watchd.commands.fleet_replay import replay_on_dask, texts_of

    if options.against is not None or options.keep is not None or options.since is not None:
        raise WatchdError("--dask goes with recordings alone: no --against, --keep or --since")
    rules = texts_of(rules_folder(Path(options.config), config, options.rules))
    return replay_on_dask(options.dask, config, rules, options.recordings, as_json=options.json)


def _replay(
    options: argparse.Namespace, config: Config, rules: tuple[Rule, ...], keeping: Keeping | None
) -> int:
    heard = _Heard(None if options.summary else _Timeline(as_json=options.json))
    end = replayed(options, config, rules, keeping, heard)
    tell_strange(options, end.counts)
    account = heard.account
    if options.json:
        lines = (
            account_data(rules, account, end.begin_at, end.at)
            if options.summary
            else (
                {"kind": "figures", "at": end.at, "subject": subject, "figures": figures}
                for subject, figures in end.figures.items()
            )
        )
        for line in lines:
            print(json.dumps(line, ensure_ascii=False))
        return 0
    if not options.summary:
        print()
    lasted = show_duration(end.at - end.begin_at)
    print(f"{end.messages:,} messages over {lasted}, from {rfc3339(end.begin_at)}\n")
    for text in account_table(rules, account, end.begin_at, end.at):
        print(text)
    for note in end.notes:
        print(
            f"note: {note.event}: {note.fields.get('topic')}: {note.fields.get('reason')}",
            file=sys.stderr,
        )
    return 0


class _Heard:
    """Takes account of what is told, and shows it once, also where it is told again from anew."""

    def __init__(self, timeline: _Timeline | None) -> None:
        self.account = Account(0.0)
        self._timeline = timeline
        self._number = self._shown = 0

    def begin(self, at: float) -> None:
        self.account = Account(at)
        self._number = 0

    def take(self, transitions: Sequence[Transition], advised: Sequence[Advised]) -> None:
        for transition in transitions:
            self.account.take(transition)
        if self._timeline is None:
            return
        told: list[Transition | Advised] = [*transitions, *advised]
        for one in sorted(told, key=lambda one: one.at):
            self._number += 1
            if self._number > self._shown:
                self._shown = self._number
                self._timeline.show(one)


class _Timeline:
    """Prints what happened, in the order of time."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._known: dict[tuple[str, Kind], Advised] = {}

    def show(self, told: Transition | Advised) -> None:
        if isinstance(told, Transition):
            print(_alarm_json(told) if self._as_json else _alarm_line(told))
            return
        key = (told.bank, told.kind)
        if self._as_json:
            print(_advice_json(told))
        elif _stands_out(self._known.get(key), told):
            self._known[key] = told
            print(_advice_line(told))
        else:
            self._known.setdefault(key, told)


def _stands_out(before: Advised | None, now: Advised) -> bool:
    """Whether a person who reads the timeline wants to see this change of advice."""
    if before is None:
        # Where it begins, only the charge limit is news.
        return now.kind is Kind.CHARGE_LIMIT
    was, amount = before.advice.amount, now.advice.amount
    if was is None or amount is None:
        return was is not amount
    if now.kind is Kind.CHARGE_VOLTAGE:
        return was != amount
    return abs(amount - was) >= max(LEAST_SHOWN_A, LEAST_SHOWN_PART * was)


def _alarm_json(transition: Transition) -> str:
    return json.dumps(
        {
            "kind": "alarm",
            "at": transition.at,
            "rule": transition.rule.name,
            "subject": transition.subject,
            "event": transition.event,
            "state": transition.state,
            "priority": transition.rule.priority,
            "text": transition.text,
            "told": transition.told,
        },
        ensure_ascii=False,
    )


def _alarm_line(transition: Transition) -> str:
    told = transition.told
    words = transition.event.replace("_", "-" if transition.event is Event.RE_ALARMED else " ")
    if told is Told.WITHHELD:
        words += f", not told: {transition.state.replace('_', ' ')}"
    else:
        words += _NOT_TOLD.get(told, "")
    said = f": {transition.text}" if transition.event in _TELLS else f" ({transition.subject})"
    return f"{rfc3339(transition.at)}  {transition.rule.name:<26} {words}{said}"


# What a program reads, by what is advised: the kind of the object, and the name of its number.
_JSON_NAMES = {
    Kind.CHARGE_LIMIT: ("limit", "limit_a"),
    Kind.DISCHARGE_LIMIT: ("discharge-limit", "limit_a"),
    Kind.CHARGE_VOLTAGE: ("charge-voltage", "voltage_v"),
}


def _advice_json(said: Advised) -> str:
    kind, number = _JSON_NAMES[said.kind]
    return json.dumps(
        {
            "kind": kind,
            "at": said.at,
            "bank": said.bank,
            number: said.advice.amount,
            "limited_by": said.advice.limited_by,
        },
        ensure_ascii=False,
    )


def _advice_line(said: Advised) -> str:
    unit = "V" if said.kind is Kind.CHARGE_VOLTAGE else "A"
    amount = said.advice.amount
    shown = "no advice" if amount is None else f"{amount:.1f} {unit}"
    what = f"{said.kind.replace('-', ' ')}, {said.bank}"
    return f"{rfc3339(said.at)}  {what:<26} {shown}: {said.advice.because}"
