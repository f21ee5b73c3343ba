"""`watchd report`: the season as one page that opens on a phone."""

from __future__ import annotations

import argparse
from typing import Any

from watchd.commands.options import add_command, add_config
from watchd.durations import parse_duration

_ABOUT = """\
One HTML file with nothing outside it: what to do first, then for each bank and pack what is well
and what is not in words, drawings of the span, and the numbers behind each as a table. It is
written anew each time; the service may be running. Its last minutes are not in it yet."""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "report",
        "write the season as one page: what to do first, in words, drawings and numbers",
        "watchd report -o report.html\n"
        "  watchd report --pack alder --since '90 d' -o alder.html\n"
        "  watchd report --json",
    )
    parser.epilog = f"{_ABOUT}\n\n{parser.epilog}"
    add_config(parser)
    parser.add_argument(
        "--pack", action="append", metavar="PACK", help="of this pack; may be given again"
    )
    parser.add_argument(
        "--since",
        metavar="AGO",
        type=_duration,
        default=30 * 86400.0,
        help="the last so much of what is kept (default: '30 d')",
    )
    parser.add_argument("--store", metavar="FILE", help="in place of the one that the config names")
    parser.add_argument(
        "--output", "-o", metavar="FILE", help="default: report.html; with --json none"
    )
    parser.add_argument("--json", action="store_true", help="print the findings as one object")
    parser.set_defaults(run=run)


def _duration(text: str) -> float:
    try:
        seconds = parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if seconds <= 0:
        raise argparse.ArgumentTypeError("a report of no time has nothing to show")
    return seconds


def run(options: argparse.Namespace) -> int:
    """Write the page. WatchdError for what cannot be; also where nothing is kept."""
    from watchd.commands.report_page import make

    make(options)
    return 0
