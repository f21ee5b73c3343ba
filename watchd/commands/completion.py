"""`watchd completion SHELL`: the commands and options for a shell to complete."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import Any

from watchd.commands.options import add_command

SHELLS = ("bash", "zsh", "tcsh")
_FILES = frozenset({"FILE", "RECORDING", "OTHER_RULES"})
_FOLDERS = frozenset({"DIR"})
_INSTALL = """\
watchd completion bash > ~/.local/share/bash-completion/completions/watchd

For zsh: to _watchd in a folder of $fpath, such as ~/.zfunc/_watchd; for tcsh: to a file that
~/.tcshrc sources. It is there in the next shell."""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "completion",
        "print what a shell needs to complete commands, options and file names",
        _INSTALL,
    )
    parser.add_argument("shell", choices=SHELLS, help="for this shell")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the script."""
    import shtab

    from watchd.commands import build_parser

    parser = build_parser()
    for action in _actions(parser):
        if action.help is argparse.SUPPRESS:
            action.help = None  # the list of commands, which the help has in groups
        if action.metavar in _FILES:
            action.complete = shtab.FILE  # type: ignore[attr-defined] # as shtab looks for it
        elif action.metavar in _FOLDERS:
            action.complete = shtab.DIRECTORY  # type: ignore[attr-defined] # likewise
    print(shtab.complete(parser, options.shell))
    return 0


def _actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    """Of a parser and those below it."""
    for action in parser._actions:  # noqa: SLF001 # argparse has no public way to them
        yield action
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 # likewise
            for inner in action.choices.values():
                yield from _actions(inner)
