"""What the schemas of config and rules share: strict sections, durations, and their errors."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    WithJsonSchema,
)
from pydantic_core import ErrorDetails

from watchd.documents import Document, Path
from watchd.durations import SECONDS, parse_duration, show_duration
from watchd.errors import Problem, names_a_secret, nearest


def _duration(value: object) -> float:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is not a duration; write a number and a unit, such as '30 s'")  # noqa: TRY004 - pydantic wants ValueError
    return parse_duration(value)


# As a file has it, for the JSON Schemas that `watchd schema` prints.
DURATION_SCHEMA: dict[str, Any] = {
    "type": "string",
    "pattern": rf"^\s*\d+(\.\d+)?\s*({'|'.join(SECONDS)})\s*$",
    "examples": ["30 s", "5 min", "2 h", "14 d"],
}
Duration = Annotated[
    float, BeforeValidator(_duration), Field(ge=0), WithJsonSchema(DURATION_SCHEMA)
]


class PartError(ValueError):
    """What a check of a whole section finds wrong with the part of it at `path`."""

    def __init__(self, what: str, *path: str | int, at_key: bool = False) -> None:
        super().__init__(what)
        self.path, self.at_key = path, at_key


class Section(BaseModel):
    """A mapping of a file: unknown keys, and values of another kind, are refused."""

    # What checks a section is built when one is checked first: most are only parts of another.
    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        populate_by_name=False,
        defer_build=True,
    )


_KINDS = {
    "missing": "is missing",
    "float_type": "needs a number",
    "int_type": "needs a whole number",
    "int_from_float": "needs a whole number",
    "string_type": "needs text",
    "bool_type": "needs yes or no",
    "dict_type": "needs keys and values",
    "list_type": "needs a list",
    "model_type": "needs keys and values",
    "model_attributes_type": "needs keys and values",
}
_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


def schema_problems(
    document: Document, error: ValidationError, model: type[BaseModel], base: Path = ()
) -> list[Problem]:
    """The problems of a validation error, each at its place in the document.

    `base` is where the validated data stands in the document.
    """
    data: Any = document.data
    for step in base:
        data = data[step]
    out = []
    for detail in error.errors(include_url=False, include_context=True):
        cause = detail.get("ctx", {}).get("error")
        inside = cause.path if isinstance(cause, PartError) else ()
        path = (*base, *_data_path(data, (*detail["loc"], *inside)))
        label = str(path[-1]) if path else "this"
        at_key = detail["loc"][-1:] == ("[key]",)
        if detail["type"] == "extra_forbidden":
            siblings = _siblings(model, path[len(base) :])
            what, at_key = f"unknown key '{label}'; {nearest(label, siblings, show=30)}", True
            if names_a_secret(label) and "password_file" in siblings:
                what = (
                    f"a {label} does not belong in this file: put it alone into a file of its own "
                    "that nobody else may read, and name that with password_file (or give it as a "
                    "service credential, with password_credential)"
                )
            if "urls_file" in siblings and "url" in label.lower():
                what = (
                    f"the {label} do not belong in this file: put them, one a line, into a file of "
                    "their own that nobody else may read, and name that with urls_file"
                )
        elif cause is not None:
            what = str(cause)
            at_key = at_key or (isinstance(cause, PartError) and cause.at_key)
        else:
            name = f"the key '{label}'" if at_key else f"'{label}'"
            what = f"{name} {_complaint(detail, _at(document.data, path), at_key=at_key)}"
        missing = detail["type"] == "missing"
        problem = document.problem(what, path[:-1] if missing else path, at_key=at_key or missing)
        # A secret that was put into the file must not go on into a terminal or a journal.
        secret = detail["type"] == "extra_forbidden" and _may_be_secret(label)
        secret = secret or (label == "host" and "@" in str(detail["input"]))
        secret = secret or label == "postgresql"
        out.append(replace(problem, excerpt=None) if secret else problem)
    return out


def _may_be_secret(key: str) -> bool:
    return any(word in key.lower() for word in ("pass", "url"))


def _at(data: Any, path: Path) -> Any:
    for step in path:
        data = data.get(step) if isinstance(data, dict) else data[step]
    return data


def _complaint(detail: ErrorDetails, written: Any, *, at_key: bool) -> str:
    """What is wrong with a value, to follow its name; `written` is what the file has there."""
    kind, limits = detail["type"], detail.get("ctx", {})
    # A duration is seconds by the time that its bounds are checked.
    got = written if isinstance(written, str) else detail["input"]
    if kind == "missing":
        return _KINDS[kind]
    if kind in ("too_short", "string_too_short"):
        return "must not be empty"
    if kind == "string_too_long":
        return f"is longer than {limits['max_length']} characters"
    if kind == "string_type" and got is not None and not isinstance(got, dict | list):
        return "is a text here; put it in quotes"
    if kind == "literal_error" and isinstance(got, str) and "://" not in got:
        valid = re.findall(r"'([^']*)'", limits["expected"])
        return f"cannot be '{got[:40]}'; {nearest(got, valid)}"
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        limit = show_duration(limits[key]) if isinstance(got, str) else f"{limits[key]:g}"
        wanted = f"must be {words} {limit}"
    else:
        wanted = _KINDS.get(kind, detail["msg"].replace("Input should be", "must be"))
    return wanted if at_key else f"{wanted}, but this is {show_input(got)}"


def show_input(value: object) -> str:
    """A value of a file, for an error's text."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict | list):
        return "a mapping" if isinstance(value, dict) else "a list"
    if isinstance(value, date):
        return "a date"
    if isinstance(value, str) and "://" in value:
        return "a URL"  # in which there may be a secret
    return f"{value!r}"[:60] if value is not None else "empty"


def _data_path(root: Any, loc: tuple[int | str, ...]) -> Path:
    """The part of pydantic's location that stands in the file.

    pydantic adds steps of its own, for a key of a mapping or an item that the file writes plain.
    """
    data: Any = root
    path: list[str | int] = []
    for index, step in enumerate(loc):
        last = index == len(loc) - 1
        inside = (
            step in data
            if isinstance(data, dict)
            else (isinstance(data, list) and isinstance(step, int) and step < len(data))
        )
        if inside:
            data = data[step]
        elif not last or step == "[key]" or not isinstance(data, dict):
            continue
        path.append(step)
    return tuple(path)


def _siblings(root: type[BaseModel], path: Path) -> list[str]:
    """The keys that the schema has where `path` ends."""
    model: Any = root
    for step in path[:-1]:
        fields = getattr(model, "model_fields", None)
        if fields is None:
            continue
        found = next((f for n, f in fields.items() if (f.alias or n) == step), None)
        if found is not None:
            model = _model_in(found.annotation) or model
    return [f.alias or n for n, f in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None
