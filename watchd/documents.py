"""YAML text -> plain data, with the line and column of every key and value.

PyYAML's safe loader builds the scalars; the node tree that it composes first keeps the
positions, so that each later complaint about a value can point at it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from watchd.errors import Place, Problem, WatchdError

Path = tuple[str | int, ...]  # keys and list indices, from the root
MAX_DEPTH = 40
MAX_CHARACTERS = 1_000_000


@dataclass(frozen=True, slots=True)
class Spot:
    """Zero-based position of a node; `offset` is where a scalar's own text begins."""

    line: int
    column: int
    offset: int = 0
    one_line: bool = True


@dataclass(frozen=True, slots=True)
class Document:
    """Parsed YAML: `data`, and where each path of it stands in the file."""

    source: str
    data: Any
    lines: tuple[str, ...]
    values: dict[Path, Spot] = field(repr=False)
    keys: dict[Path, Spot] = field(repr=False)

    def problem(self, what: str, path: Path, *, at_key: bool = False) -> Problem:
        """A problem at `path`, or at its nearest ancestor that stands in the file."""
        first, second = (self.keys, self.values) if at_key else (self.values, self.keys)
        for end in range(len(path), -1, -1):
            spot = first.get(path[:end]) or second.get(path[:end])
            if spot is not None:
                width = len(str(path[end - 1])) if at_key and end == len(path) and path else 1
                return self.at(what, spot, 0, width)
        return Problem(what, Place(self.source))

    def problem_in_text(self, what: str, path: Path, start: int, width: int) -> Problem:
        """A problem at characters `start`, `start + width` of the text that stands at `path`."""
        spot = self.values.get(path)
        if spot is None or not spot.one_line:
            return self.problem(what, path)
        return self.at(what, spot, spot.offset + start, width)

    def at(self, what: str, spot: Spot, shift: int = 0, width: int = 1) -> Problem:
        """A problem at a spot, `shift` characters to its right."""
        line = self.lines[spot.line] if spot.line < len(self.lines) else None
        place = Place(self.source, spot.line + 1, spot.column + shift + 1)
        return Problem(what, place, line, width)


def parse_document(text: str, source: str) -> Document:
    """Parse YAML of one document. Raises WatchdError: syntax, duplicate keys, aliases, depth."""
    if len(text) > MAX_CHARACTERS:
        raise WatchdError(Problem(f"longer than {MAX_CHARACTERS:,} characters", Place(source)))
    lines = tuple(text.splitlines())
    try:
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            # An alias can make a few lines expand without bound, and no file here needs one.
            if isinstance(event, yaml.AliasEvent):
                what = f"the alias '*{event.anchor}' is not supported; write the value out"
                raise WatchdError(_marked(what, source, lines, event.start_mark))
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except RecursionError:
        raise WatchdError(
            Problem(f"nested deeper than {MAX_DEPTH} levels", Place(source))
        ) from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = f"not valid YAML: {error.problem or error.context}"
        raise WatchdError(_marked(what, source, lines, mark)) from None
    except yaml.YAMLError as error:
        what = " ".join(str(error).split())
        raise WatchdError(Problem(f"not valid YAML: {what}", Place(source))) from None
    document = Document(source, None, lines, {}, {})
    if node is None:
        return document
    problems: list[Problem] = []
    data = _build(node, (), document, problems)
    if problems:
        raise WatchdError(problems)
    return Document(source, data, lines, document.values, document.keys)


def _marked(what: str, source: str, lines: tuple[str, ...], mark: Any) -> Problem:
    if mark is None:
        return Problem(what, Place(source))
    excerpt = lines[mark.line] if mark.line < len(lines) else None
    return Problem(what, Place(source, mark.line + 1, mark.column + 1), excerpt)


def _build(node: yaml.Node, path: Path, document: Document, problems: list[Problem]) -> Any:
    if len(path) > MAX_DEPTH:
        problems.append(document.at(f"nested deeper than {MAX_DEPTH} levels", _spot(node)))
        return None
    document.values[path] = _spot(node)
    if isinstance(node, yaml.MappingNode):
        found: dict[str | int, Any] = {}
        for key, key_node, value_node in _pairs(node):
            if not isinstance(key_node, yaml.ScalarNode):
                problems.append(document.at("a key must be a plain word", _spot(key_node)))
                continue
            here = (*path, key)
            if key in found:
                line = document.keys[here].line + 1
                problems.append(
                    document.at(
                        f"'{key}' stands here twice (first on line {line})",
                        _spot(key_node),
                        0,
                        len(str(key)),
                    )
                )
                continue
            document.keys[here] = _spot(key_node)
            found[key] = _build(value_node, here, document, problems)
        return found
    if isinstance(node, yaml.SequenceNode):
        return [_build(child, (*path, i), document, problems) for i, child in enumerate(node.value)]
    try:
        return yaml.constructor.SafeConstructor().construct_document(node)
    except (yaml.YAMLError, ValueError) as error:
        what = getattr(error, "problem", None) or error
        problems.append(document.at(f"cannot be read: {what}", _spot(node)))
        return None


def _pairs(node: yaml.MappingNode) -> Iterator[tuple[str | int, yaml.Node, yaml.Node]]:
    for key_node, value_node in node.value:
        key: str | int = str(getattr(key_node, "value", ""))
        # Bit numbers are the only keys that are numbers.
        if key_node.tag.endswith(":int") and isinstance(key, str):
            key = int(key, 0)
        yield key, key_node, value_node


def _spot(node: yaml.Node) -> Spot:
    start, end = node.start_mark, node.end_mark
    style = getattr(node, "style", None)
    plain = isinstance(node, yaml.ScalarNode) and style not in ("|", ">")
    return Spot(
        start.line,
        start.column,
        offset=1 if style in ("'", '"') else 0,
        one_line=plain and start.line == end.line,
    )
