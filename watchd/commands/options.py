"""Options that several commands share."""

from __future__ import annotations

import argparse
from typing import Any


def add_command(commands: Any, name: str, about: str, example: str) -> argparse.ArgumentParser:
    """A command's parser, with an example below its help."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=about[0].upper() + about[1:] + ".",
        epilog=f"Example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return parser


def add_config_file(parser: argparse.ArgumentParser) -> None:
    """`--config`."""
    parser.add_argument(
        "--config",
        "-c",
        metavar="FILE",
        default="config.yaml",
        help="the config file (default: config.yaml)",
    )


def add_config(parser: argparse.ArgumentParser) -> None:
    """`--config` and `--rules`."""
    add_config_file(parser)
    parser.add_argument(
        "--rules", metavar="DIR", help="rules to use instead of those that the config names"
    )


def add_daemon(parser: argparse.ArgumentParser) -> None:
    """`--config`, `--password-file` and `--json`, for what is asked of a running watchd."""
    add_config_file(parser)
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        help="in place of the config's: a credential of the service is there for the service alone",
    )
    parser.add_argument(
        "--user",
        metavar="NAME",
        help="who asks, in place of the config's user; with a --password-file of its own",
    )
    parser.add_argument("--json", action="store_true", help="the answer as one object")
