"""`watchd check`: whether config and rules load, and whether the rules' examples hold."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from watchd.commands.case_table import print_cases
from watchd.commands.options import add_command, add_config
from watchd.commands.progress import progress
from watchd.config import Config, instance_of
from watchd.durations import show_duration
from watchd.errors import WatchdError, nearest
from watchd.loading import entries_left, load, rules_folder
from watchd.rules.boundaries import Boundaries, boundaries_of
from watchd.rules.examples import Outcome, run_examples
from watchd.rules.finding import Finding
from watchd.rules.findings import findings_of
from watchd.rules.rule import Rule
from watchd.shell.mqtt.credentials import cautions_of

MOST_NAMED = 20  # packs that lack the same; more are counted


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "check",
        "check config and rules, and run the rules' examples",
        "watchd check --config /etc/watchd/config.yaml\n  watchd check --cases cell-spread-wide",
    )
    add_config(parser)
    parser.add_argument(
        "--cases",
        nargs="*",
        metavar="RULE",
        help="also show what happens about each limit and delay, of these rules or of all "
        "(default: none)",
    )
    parser.add_argument(
        "--bank",
        metavar="NAME",
        help="say only which of the daemons that share the banks watches this one (default: check)",
    )
    parser.add_argument(
        "--strict",
        action="store_true",
        help="a finding, or a value that is still to be entered, is a failure too: exit 1",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Load everything, run the examples. 0 all well, 1 an example fails; WatchdError for 2."""
    config, rules = load(options.config, options.rules, options.instance)
    if options.bank is not None:
        return _say_instance(config, options.bank)
    chosen = _chosen(rules, options.cases)
    outcomes = [o for rule in rules for o in run_examples(rule)]
    failed = [o for o in outcomes if not o.passed]
    findings = findings_of(rules)
    with progress("trying the cases", len(chosen)) as done:
        boundaries = []
        for number, rule in enumerate(chosen):
            done(number, rule.name)
            boundaries.append(boundaries_of(rule))
    notes = [*cautions_of(config.broker), *_notes(config)]
    waiting = entries_left(options.config)
    if options.json:
        said = {
            "config": options.config,
            "banks": len(config.banks),
            "instances": _banks_of_instances(config),
            "packs": len(config.packs),
            "sources": len(config.sources),
            "rules": [r.name for r in rules],
            "examples": len(outcomes),
            "notes": notes,
            "to_enter": [{"line": line, "text": text} for line, text in waiting],
            "findings": [_finding(f) for f in findings],
            "failed": [
                {"rule": o.rule.name, "example": o.number, "says": _explain(o)} for o in failed
            ],
            "cases": [case for found in boundaries for case in _cases(found)],
        }
        print(json.dumps(said, ensure_ascii=False))
    else:
        folder = rules_folder(Path(options.config), config, options.rules)
        held = "all as expected" if not failed else f"{len(failed)} not as expected"
        print(
            f"{options.config}: loads. {_count(len(config.banks), 'bank')}, "
            f"{_count(len(config.packs), 'pack')}, {_count(len(config.sources), 'source')} on "
            f"{config.broker.host}:{config.broker.port}"
        )
        for instance, banks in _banks_of_instances(config).items():
            print(f"  instance {instance}: {_count(len(banks), 'bank')}")
        print(
            f"{folder}: loads. {_count(len(rules), 'rule')}, "
            f"{_count(len(outcomes), 'example')}, {held}"
        )
        if options.cases is None:
            print(
                f"{_count(sum(b.count for b in boundaries), 'boundary case')}: --cases shows them"
            )
        else:
            print_cases(boundaries)
        for outcome in failed:
            print(f"{outcome.rule.place}: {_explain(outcome)}")
        for finding in findings:
            print(finding)
        for note in notes:
            print(f"note: {note}")
        if waiting:
            print(f"\n{_count(len(waiting), 'value')} still to be entered by you:")
        for line, text in waiting:
            print(f"{options.config}:{line}: {text}")
    return 1 if failed or (options.strict and (findings or waiting)) else 0


def _say_instance(config: Config, bank: str) -> int:
    if bank not in config.banks:
        raise WatchdError(f"no bank is called '{bank}'; {nearest(bank, list(config.banks))}")
    if config.share is None:
        print(f"{bank}: watched by the one daemon, topics below {config.prefix}")
    else:
        instance = instance_of(bank, config.share.of)
        print(f"{bank}: watched by instance {instance}")
    return 0


def _banks_of_instances(config: Config) -> dict[int, list[str]]:
    """Which banks each of the daemons has; nothing where there is but one."""
    if config.share is None:
        return {}
    found: dict[int, list[str]] = {number: [] for number in range(1, config.share.of + 1)}
    for bank in config.banks:
        found[instance_of(bank, config.share.of)].append(bank)
    return {number: banks for number, banks in found.items() if banks}


def _chosen(rules: Sequence[Rule], names: list[str] | None) -> Sequence[Rule]:
    """The rules whose boundary cases are asked for."""
    known = {rule.name: rule for rule in rules}
    for name in names or ():
        if name not in known:
            raise WatchdError(f"there is no rule '{name}'; {nearest(name, list(known))}")
    return [known[name] for name in names] if names else rules


def _finding(finding: Finding) -> dict[str, Any]:
    problem = finding.problem
    place = problem.place
    return {
        "kind": finding.kind,
        "rule": finding.rule,
        "file": place.source if place else None,
        "line": place.line if place else None,
        "column": place.column if place else None,
        "width": problem.width,
        "says": problem.what,
    }


def _cases(boundaries: Boundaries) -> Iterator[dict[str, Any]]:
    for found in boundaries.found:
        yield {
            "rule": boundaries.rule.name,
            "example": found.example,
            "about": found.about,
            "cases": [{"value": c.value, "raised": c.raised} for c in found.cases],
            "returns": [{"value": c.value, "raised": c.raised} for c in found.returns],
            **({"note": found.note} if found.note else {}),
        }


def _explain(outcome: Outcome) -> str:
    example, rule = outcome.example, outcome.rule
    last = example.steps[-1]
    given = ", ".join(f"{n} {v}" for n, v in last.given.items())
    after = f"after {_count(len(example.steps) - 1, 'step')}, " if len(example.steps) > 1 else ""
    came = "raised" if outcome.raised else "quiet"
    expected = "raised" if example.raised else "quiet"
    text = (
        f"{rule.name}, example {outcome.number}: {after}{given}, lasting "
        f"{show_duration(last.lasting_s)}, is {came}; expected: {expected}"
    )
    if outcome.unknown:
        text += f" (not given, so unknown: {', '.join(outcome.unknown)})"
    return text


def _count(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _notes(config: Config) -> list[str]:
    """What loads, but is likely not meant."""
    mapped: dict[str, set[str]] = {name: set() for name in config.packs}
    for source in config.sources:
        names = set(source.json_ or {}) | ({source.value.name or ""} if source.value else set())
        for pack in config.packs_of_source(source):
            mapped[pack] |= names
    lacking: dict[tuple[str, str], list[str]] = {}
    for name, names in mapped.items():
        if not config.packs[name].in_service:
            continue
        for needed, why in (
            ("cell_v", "no charge limit can be suggested for its bank"),
            ("current_a", "no charge limit can be suggested for its bank"),
            ("temperature_degc", "charging in the cold goes unseen"),
            ("protection", "protection trips go unseen"),
        ):
            if needed not in names:
                lacking.setdefault((needed, why), []).append(name)
    if all(len(names) <= MOST_NAMED for names in lacking.values()):
        each = [(n, needed, why) for (needed, why), names in lacking.items() for n in names]
        order = {name: number for number, name in enumerate(mapped)}
        each.sort(key=lambda note: order[note[0]])
        return [f"no source gives {needed} of {name}: {why}" for name, needed, why in each]
    return [
        f"no source gives {needed} of {_count(len(names), 'pack')}, {names[0]} among them: {why}"
        for (needed, why), names in lacking.items()
    ]
