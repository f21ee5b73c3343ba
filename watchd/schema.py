"""What the schemas of config and rules share: strict sections, durations, and their errors."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from watchd.documents import Document, Path
from watchd.durations import parse_duration
from watchd.errors import Problem, nearest


def _duration(value: object) -> float:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is not a duration; write a number and a unit, such as '30 s'")  # noqa: TRY004 - pydantic wants ValueError
    return parse_duration(value)


Duration = Annotated[float, BeforeValidator(_duration), Field(ge=0)]


class Section(BaseModel):
    """A mapping of a file: unknown keys, and values of another kind, are refused."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, populate_by_name=False
    )


_KINDS = {
    "missing": "is missing",
    "float_type": "needs a number",
    "int_type": "needs a whole number",
    "string_type": "needs text",
    "bool_type": "needs yes or no",
    "dict_type": "needs keys and values",
    "list_type": "needs a list",
    "model_type": "needs keys and values",
    "model_attributes_type": "needs keys and values",
    "too_short": "must not be empty",
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
        path = (*base, *_data_path(data, detail["loc"]))
        kind, got = detail["type"], detail["input"]
        label = str(path[-1]) if path else "this"
        if kind == "extra_forbidden":
            hint = nearest(label, _siblings(model, path[len(base) :]), show=30)
            out.append(document.problem(f"unknown key '{label}'; {hint}", path, at_key=True))
            continue
        if kind == "value_error":
            what = str(detail["ctx"]["error"])
        elif kind in _KINDS:
            what = f"'{label}' {_KINDS[kind]}"
            if kind not in ("missing", "too_short"):
                what += f", but this is {_show(got)}"
        else:
            message = detail["msg"].replace("Input should be", "must be")
            what = f"'{label}' {message[0].lower()}{message[1:]}, but this is {_show(got)}"
        out.append(document.problem(what, path[:-1] if kind == "missing" else path))
    return out


def _show(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict | list):
        return "a mapping" if isinstance(value, dict) else "a list"
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
