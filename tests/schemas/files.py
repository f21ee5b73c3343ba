"""A YAML file as an editor hands it to JSON Schema: keys are text, and so is a date."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from watchd.config import parse_config
from watchd.documents import Document, parse_document
from watchd.errors import WatchdError
from watchd.rules.loader import compile_rules
from watchd.schemas.config import config_schema
from watchd.schemas.rules import rules_schema

ROOT = Path(__file__).parents[2]
BROKEN = ROOT / "tests" / "texts_approved"
SCHEMAS = {"config": config_schema(), "rules": rules_schema()}
CHECKS = {kind: Draft202012Validator(schema) for kind, schema in SCHEMAS.items()}


def as_json(data: Any) -> Any:
    """Plain data of YAML as JSON has it."""
    if isinstance(data, dict):
        return {str(key): as_json(value) for key, value in data.items()}
    if isinstance(data, list):
        return [as_json(item) for item in data]
    return data if isinstance(data, str | int | float | None) else str(data)


def complaints(kind: str, data: Any) -> list[str]:
    """What the JSON Schema says of a parsed file."""
    found = CHECKS[kind].iter_errors(as_json(data))
    return [f"{error.json_path}: {error.message}" for error in found]


def parsed(path: Path) -> Document:
    """A file that is YAML."""
    return parse_document(path.read_text(encoding="utf-8"), path.name)


def refusal(kind: str, text: str) -> WatchdError | None:
    """Why the loader refuses a text; None where it takes it."""
    try:
        if kind == "config":
            parse_config(parse_document(text, "config.yaml"))
        else:
            compile_rules([("rules.yaml", text)])
    except WatchdError as error:
        return error
    return None
