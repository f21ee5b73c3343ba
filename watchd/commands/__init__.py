"""The command line: one file a command, each with `add` (its options) and `run`."""

from __future__ import annotations

import argparse
import errno
import os
import sys
import textwrap
from collections.abc import Sequence
from importlib import import_module
from io import TextIOWrapper

from watchd import __version__
from watchd.commands.options import HelpText
from watchd.errors import WatchdError

# In the order of their use, under what a person is about to do.
_GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("set it up", ("setup", "check", "run", "bridge")),
    ("every day", ("alarms", "digest", "report", "audit", "reanchor")),
    ("rules and the past", ("fields", "replay", "tune", "export", "backup")),
    ("for editors, programs and shells", ("schema", "completion")),
)
NAMES, WIDTH = 12, 78
# What a disk says that takes no more of what is printed into a file.
DISK_REFUSES = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
_AFTER = """\
Each has a --help with an example. Exit code: 0 done, 1 the answer is no (a check failed),
2 usage or bad input."""
_ABOUT = """\
Watches the packs of an off-grid battery bank over MQTT: raises alarms by rules that you tune in
YAML files, and suggests a charge current limit. It advises only; the protection of the bank stays
with BMS, fuses and charger."""


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """All commands with their options; or the `only` one that is asked for.

    The daemon need not hold in memory, nor wait for, what the other commands bring in.
    """
    parser = argparse.ArgumentParser(
        prog="watchd", description=_ABOUT, usage="watchd COMMAND ...", formatter_class=HelpText
    )
    parser.add_argument("--version", action="version", version=f"watchd {__version__}")
    commands = parser.add_subparsers(
        dest="command", metavar="COMMAND", required=True, help=argparse.SUPPRESS, prog="watchd"
    )
    lines: list[str] = []
    for title, names in _GROUPS:
        lines += ["", f"{title}:"]
        for name in names:
            if only not in (None, name):
                continue
            import_module(f"watchd.commands.{name}").add(commands)
            lines += _line(name, commands._choices_actions[-1].help or "")  # noqa: SLF001 # argparse gives it to nobody
    parser.epilog = "\n".join([*lines, "", _AFTER]).lstrip()
    return parser


def _line(name: str, about: str) -> list[str]:
    """`  name  what it does`, over as many lines as it takes."""
    return textwrap.wrap(
        about,
        WIDTH,
        initial_indent=f"  {name:<{NAMES}}",
        subsequent_indent=" " * (NAMES + 2),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Exit code: 0 done, 1 the answer is no, 2 usage or bad input."""
    given = sys.argv[1:] if arguments is None else list(arguments)
    first = given[0] if given else ""
    only = first if any(first in names for _, names in _GROUPS) else None
    options = build_parser(only).parse_args(given)
    if isinstance(sys.stdout, TextIOWrapper):
        # A terminal that lacks a character (such as that of °C) gets the rest all the same.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        code: int = options.run(options)
        if sys.stdout is not None:  # None: closed by who started it
            sys.stdout.flush()
    except WatchdError as error:
        # Each problem stands for itself: place, what is wrong, and the line it is in.
        print("\n".join(str(p) for p in error.problems), file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader (head, less) has seen enough; nothing more can be said on this stream.
        _close_output()
        return 0
    except OSError as error:
        if error.errno not in DISK_REFUSES:
            raise
        _close_output()
        print(f"cannot be written: {error.strerror}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return code


def _close_output() -> None:
    """What waits goes nowhere, or Python would try it again when it ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
