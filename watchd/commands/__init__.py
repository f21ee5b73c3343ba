"""The command line: one file a command, each with `add` (its options) and `run`."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from io import TextIOWrapper

from watchd import __version__
from watchd.commands import (
    alarms,
    audit,
    backup,
    bridge,
    check,
    export,
    fields,
    reanchor,
    replay,
    report,
    run,
    schema,
    tune,
)
from watchd.errors import WatchdError

_COMMANDS = (
    run,
    alarms,
    audit,
    reanchor,
    bridge,
    check,
    fields,
    replay,
    tune,
    report,
    export,
    backup,
    schema,
)
_ABOUT = """\
Watches the packs of an off-grid battery bank over MQTT: raises alarms by rules that you tune in
YAML files, and suggests a charge current limit. It advises only; the protection of the bank stays
with BMS, fuses and charger."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Exit code: 0 done, 1 the answer is no, 2 usage or bad input."""
    parser = argparse.ArgumentParser(
        prog="watchd",
        description=_ABOUT,
        epilog=("Exit code: 0 done, 1 the answer is no (a check failed), 2 usage or bad input."),
    )
    parser.add_argument("--version", action="version", version=f"watchd {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for module in _COMMANDS:
        module.add(commands)
    options = parser.parse_args(arguments)
    if isinstance(sys.stdout, TextIOWrapper):
        # A terminal that lacks a character (such as that of °C) gets the rest all the same.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        code: int = options.run(options)
        sys.stdout.flush()
    except WatchdError as error:
        # Each problem stands for itself: place, what is wrong, and the line it is in.
        print("\n".join(str(p) for p in error.problems), file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader (head, less) has seen enough; nothing more can be said on this stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    return code
