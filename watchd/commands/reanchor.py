"""`watchd reanchor PACK`: guides a person who brings a BMS back to 100 % at full."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from typing import Any

from watchd.advice.reanchoring.states import Way
from watchd.commands.alarms import who
from watchd.commands.options import add_command, add_daemon, config_of_daemon
from watchd.commands.reanchor_texts import lines
from watchd.requests import Do, ReanchorDo
from watchd.shell.mqtt.asking import ask

_STEPS = [str(step) for step in ReanchorDo if step is not ReanchorDo.LOOK]
LEAST_V, MOST_V = 1.5, 4.5
_WAYS = [str(way).replace("_", "-") for way in Way]


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "reanchor",
        "whether a BMS's state of charge is to be re-anchored, how, and each step of it",
        "watchd reanchor alder\n  watchd reanchor alder begin --way absorption\n"
        "  watchd reanchor alder restored",
    )
    parser.add_argument("pack", metavar="PACK", help="name of the pack")
    parser.add_argument(
        "step",
        metavar="STEP",
        nargs="?",
        choices=_STEPS,
        help="begin: one of the ways; set: what was asked for is set in the BMS; restored: it is "
        "back as it was; cancel: leave it. Without: whether it is needed, or where it is",
    )
    parser.add_argument(
        "--way", choices=_WAYS, help="begin: which (default: the mildest that is open)"
    )
    parser.add_argument(
        "--volts",
        type=_cell_volts,
        metavar="V",
        help="set: V a cell that were set (default: what was asked for)",
    )
    parser.add_argument(
        "--yes",
        action="store_true",
        help="begin: the warning was read; restored: you have looked at the BMS itself",
    )
    add_daemon(parser)
    parser.set_defaults(run=run)


def _cell_volts(text: str) -> float:
    try:
        volts = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no voltage") from None
    if not LEAST_V <= volts <= MOST_V:
        what = f"{text} V is no threshold of a cell: {LEAST_V:g} to {MOST_V:g} V"
        raise argparse.ArgumentTypeError(what)
    return volts


def run(options: argparse.Namespace) -> int:
    """Ask, and print the answer. 0 done or needed, 1 refused or not needed; WatchdError for 2."""
    config = config_of_daemon(options)
    request: dict[str, Any] = {"do": Do.REANCHOR, "pack": options.pack}
    if options.step is not None:
        request |= {"step": options.step, "by": who()}
    if options.way is not None:
        request["way"] = options.way.replace("-", "_")
    if options.volts is not None:
        request["value_v"] = options.volts
    if options.yes:
        request["yes"] = True
    answer = asyncio.run(ask(config, request, options.password_file, options.user))
    if options.json:
        print(json.dumps(answer, ensure_ascii=False))
    elif not answer.get("ok"):
        print(answer.get("error", "refused"), file=sys.stderr)
    else:
        print("\n".join(lines(answer["reanchor"])))
    return 0 if answer.get("ok") and _is_yes(options.step, answer["reanchor"]) else 1


def _is_yes(step: str | None, told: dict[str, Any]) -> bool:
    """Whether what was asked is done; without a step, whether there is something to do."""
    if step is not None:
        return "warning" not in told
    return "step" in told or told["needed"] is True
