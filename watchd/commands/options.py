"""Options that several commands share."""

from __future__ import annotations

import argparse
import os
import textwrap
from itertools import groupby
from typing import TYPE_CHECKING, Any

from watchd.durations import parse_duration
from watchd.errors import WatchdError

if TYPE_CHECKING:
    from watchd.config import Config

INSTANCE_VARIABLE = "WATCHD_INSTANCE"
LOGIN_HELP = (
    "one line (default: that of the config, which may be a credential that only the service has)"
)
USER_HELP = "who asks (default: the config's user); with a --password-file of its own"


class HelpText(argparse.HelpFormatter):
    """Help whose texts fit the terminal. Indented lines, such as commands, stay as they are."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        lines: list[str] = []
        for is_kept, block in groupby(text.splitlines(), lambda s: not s or s[:2] == "  "):
            if is_kept:
                lines += [f"{indent}{line}" if line else "" for line in block]
            else:
                lines += textwrap.wrap(
                    " ".join(block),
                    width,
                    initial_indent=indent,
                    subsequent_indent=indent,
                    break_on_hyphens=False,
                )
        return "\n".join(lines)


def add_command(commands: Any, name: str, about: str, example: str) -> argparse.ArgumentParser:
    """A command's parser, with an example below its help."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=about[0].upper() + about[1:] + ".",
        epilog=f"Example:\n  {example}",
        formatter_class=HelpText,
    )
    return parser


def duration(text: str) -> str:
    """A duration as it is written, once it is one. For argparse."""
    try:
        parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return text


def add_config_file(parser: argparse.ArgumentParser) -> None:
    """`--config`."""
    parser.add_argument(
        "--config",
        "-c",
        metavar="FILE",
        default="config.yaml",
        help="the config file (default: config.yaml)",
    )
    add_instance(parser)


def add_instance(parser: argparse.ArgumentParser, **more: Any) -> None:
    """`--instance`, which goes with every `--config` of a running daemon or its files."""
    parser.add_argument(
        "--instance",
        type=int,
        metavar="N",
        **{"default": _instance(), **more},
        help="which of the daemons that share the banks (share: in the config) this is about "
        f"(default: {INSTANCE_VARIABLE} in the environment, else all of them)",
    )


def _instance() -> str | None:
    """What the environment says; argparse makes a number of it, or says that it is none."""
    return os.environ.get(INSTANCE_VARIABLE) or None


def config_of_daemon(options: argparse.Namespace) -> Config:
    """The config of the one daemon that is meant. Raises WatchdError."""
    from watchd.loading import load_config

    return told_instance(load_config(options.config, options.instance), options)


def told_instance(config: Config, options: argparse.Namespace) -> Config:
    """The config, where it is that of one daemon. Raises WatchdError where one is to be named."""
    if config.share is not None and options.instance is None:
        raise WatchdError(
            f"{options.config}: {config.share.of} daemons share the banks; name one by --instance, "
            f"1 to {config.share.of} (`watchd check --bank NAME` says which watches a bank)"
        )
    return config


def add_config(parser: argparse.ArgumentParser) -> None:
    """`--config` and `--rules`."""
    add_config_file(parser)
    parser.add_argument(
        "--rules",
        metavar="DIR",
        help="a folder or file of rules (default: those that the config names, or that ship)",
    )


def add_daemon(parser: argparse.ArgumentParser) -> None:
    """`--config`, `--password-file` and `--json`, for what is asked of a running watchd."""
    add_config_file(parser)
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        help=LOGIN_HELP,
    )
    parser.add_argument(
        "--user",
        metavar="NAME",
        help=USER_HELP,
    )
    parser.add_argument("--json", action="store_true", help="the answer, as one JSON object")
