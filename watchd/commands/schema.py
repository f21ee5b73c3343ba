"""`watchd schema`: what an editor or another program is told of files and topics."""

from __future__ import annotations

import argparse
import json
from typing import Any

from watchd.commands.options import add_command

_EXAMPLE = """\
watchd schema config > config.schema.json

An editor with a YAML language server then completes and checks each file that says where it is,
in a comment above all else, as the example config and the shipped rules do:
  # yaml-language-server: $schema=config.schema.json"""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "schema",
        "print the JSON Schema of config or rules, or the AsyncAPI document of the topics",
        _EXAMPLE,
    )
    parser.add_argument(
        "of",
        choices=["config", "rules", "topics"],
        help="config, rules: JSON Schema of such a file; topics: AsyncAPI 3 of what goes out "
        "and what may be asked",
    )
    parser.add_argument(
        "--config",
        "-c",
        metavar="FILE",
        help="topics: with the prefix and the broker of this config (default: prefix watchd)",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print it. WatchdError where the config does not load."""
    print(json.dumps(_document(options), indent=2, ensure_ascii=False))
    return 0


def _document(options: argparse.Namespace) -> dict[str, Any]:
    from watchd.loading import load
    from watchd.schemas.config import config_schema
    from watchd.schemas.rules import rules_schema
    from watchd.schemas.topics import topics_document

    if options.of == "config":
        return config_schema()
    if options.of == "rules":
        return rules_schema()
    return topics_document(load(options.config)[0] if options.config else None)
