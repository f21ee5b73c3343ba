"""YAML text -> plain data, with the line and column of every key and value.

PyYAML's safe loader builds the scalars; the node tree that it composes first keeps the
positions, so that each later complaint about a value can point at it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from watchd.errors import Place, Problem, WatchdError
from watchd.yaml_mistakes import mistake_of

Path = tuple[str | int, ...]  # keys and list indices, from the root
MAX_DEPTH = 40
MAX_CHARACTERS = 1_000_000
LONGEST_NUMBER = 100
# Neither may reach a topic, a terminal or the path of a file.
_NOT_TEXT = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")
_TEXT = "tag:yaml.org,2002:str"
# PyYAML's wheels have it; without libyaml all is as well, and slower.
_FAST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_DECIMAL = re.compile(r"0|-?[1-9][0-9]{0,8}")


@dataclass(frozen=True, slots=True)
class Spot:
    """Zero-based position of a node, its width, and the style of a scalar: plain, ' " | or >."""

    line: int
    column: int
    style: str = ""
    width: int = 1  # of what stands in one line


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
                return self.at(what, spot, spot.width if end == len(path) else 1)
        return Problem(what, Place(self.source, 1))

    def problem_in_text(self, what: str, path: Path, start: int, width: int) -> Problem:
        """A problem at characters `start`, `start + width` of the text that stands at `path`."""
        spot = self.values.get(path)
        if spot is None:
            return self.problem(what, path)
        text: Any = self.data
        for step in path:
            text = text[step]
        found = _in_file(self.lines, spot, text, start) if isinstance(text, str) else None
        return self.at(what, found or spot, width if found else 1)

    def at(self, what: str, spot: Spot, width: int) -> Problem:
        """A problem at a spot."""
        line = self.lines[spot.line] if spot.line < len(self.lines) else None
        return Problem(what, Place(self.source, spot.line + 1, spot.column + 1), line, width)


def parse_document(text: str, source: str) -> Document:
    """Parse YAML of one document. Raises WatchdError: syntax, duplicate keys, aliases, depth."""
    if len(text) > MAX_CHARACTERS:
        raise WatchdError(Problem(f"longer than {MAX_CHARACTERS:,} characters", Place(source)))
    lines = tuple(text.splitlines())
    document = Document(source, None, lines, {}, {})
    node = _composed_fast(text) or _composed(text, document)
    if node is None:
        return document
    problems: list[Problem] = []
    data = _build(node, (), document, problems)
    if problems:
        raise WatchdError(problems)
    return Document(source, data, lines, document.values, document.keys)


def _composed_fast(text: str) -> yaml.Node | None:
    """The nodes as libyaml finds them, ten times as fast; None where anything is not as it should.

    What is wrong then is for PyYAML's own parser to say, whose words and places are known.
    """
    try:
        depth = 0
        for event in yaml.parse(text, Loader=_FAST):
            depth += isinstance(event, yaml.CollectionStartEvent)
            depth -= isinstance(event, yaml.CollectionEndEvent)
            if _refusal(event, depth) is not None:
                return None
        return yaml.compose(text, Loader=_FAST)
    except (yaml.YAMLError, ValueError, OverflowError):
        return None


def _composed(text: str, document: Document) -> yaml.Node | None:
    source, lines = document.source, document.lines
    mark = None
    depth = 0
    try:
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            mark = event.start_mark
            depth += isinstance(event, yaml.CollectionStartEvent)
            depth -= isinstance(event, yaml.CollectionEndEvent)
            refusal = _refusal(event, depth)
            if refusal is not None:
                raise WatchdError(_marked(refusal, mark, source, lines))
        return yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        raise WatchdError(_marked(*mistake_of(error), source, lines)) from None
    except yaml.reader.ReaderError as error:
        before = text[: error.position].splitlines() or [""]
        what = f"the character U+{error.character:04X} cannot stand in a file"
        place = Place(source, len(before), len(before[-1]) + 1)
        raise WatchdError(Problem(what, place)) from None
    except (ValueError, OverflowError):
        # PyYAML 6 lets them out for an escape such as "\UFFFFFFFF".
        what = "after this stands an escape that is no character"
        raise WatchdError(_marked(what, mark, source, lines)) from None


def _refusal(event: yaml.Event, depth: int) -> str | None:
    """Why a part of YAML that nobody needs here is not taken."""
    # An alias can make a few lines expand without bound.
    if isinstance(event, yaml.AliasEvent):
        return f"the alias '*{event.anchor}' is not supported; write the value out"
    if depth > MAX_DEPTH:
        return f"nested deeper than {MAX_DEPTH} levels"
    tag = getattr(event, "tag", None)
    if tag is not None:
        shown = str(tag).replace("tag:yaml.org,2002:", "!!")
        return f"the tag '{shown}' is not supported; write the value alone"
    return None


def _marked(what: str, mark: Any, source: str, lines: tuple[str, ...]) -> Problem:
    if mark is None:
        return Problem(what, Place(source, 1))
    excerpt = lines[mark.line] if mark.line < len(lines) else None
    return Problem(what, Place(source, mark.line + 1, mark.column + 1), excerpt)


def _build(node: yaml.Node, path: Path, document: Document, problems: list[Problem]) -> Any:
    document.values[path] = _spot(node)
    if isinstance(node, yaml.MappingNode):
        found: dict[str | int, Any] = {}
        for key, key_node, value_node in _pairs(node):
            if not isinstance(key_node, yaml.ScalarNode):
                problems.append(document.at("a key must be a plain word", _spot(key_node), 1))
                continue
            here = (*path, key)
            if key in found:
                line = document.keys[here].line + 1
                what = f"'{key}' stands here twice (first on line {line})"
                spot = _spot(key_node)
                problems.append(document.at(what, spot, spot.width))
                continue
            document.keys[here] = _spot(key_node)
            found[key] = _build(value_node, here, document, problems)
        return found
    if isinstance(node, yaml.SequenceNode):
        return [_build(child, (*path, i), document, problems) for i, child in enumerate(node.value)]
    if len(node.value) > LONGEST_NUMBER and not node.tag.endswith(":str"):
        # One of many digits, or many groups between colons, takes minutes to work out.
        what = f"a number longer than {LONGEST_NUMBER} characters; put it in quotes if it is a text"
        problems.append(document.at(what, _spot(node), 1))
        return None
    if node.tag == _TEXT:
        value: Any = node.value
    else:
        value = _value(node, document, problems)
    if isinstance(value, str) and _NOT_TEXT.search(value):
        problems.append(document.at("holds a character that is not text", _spot(node), 1))
    return value


def _value(node: yaml.Node, document: Document, problems: list[Problem]) -> Any:
    try:
        return yaml.constructor.SafeConstructor().construct_document(node)
    except (ValueError, OverflowError):
        what = "looks like a number or a date, but is none; put it in quotes if it is a text"
        problems.append(document.at(what, _spot(node), len(node.value)))
        return None


def _pairs(node: yaml.MappingNode) -> Iterator[tuple[str | int, yaml.Node, yaml.Node]]:
    for key_node, value_node in node.value:
        key: str | int = str(getattr(key_node, "value", ""))
        # Bit numbers are the only keys that are numbers.
        if key_node.tag.endswith(":int") and _DECIMAL.fullmatch(str(key)):
            key = int(key)
        yield key, key_node, value_node


def _spot(node: yaml.Node) -> Spot:
    start, end = node.start_mark, node.end_mark
    if not isinstance(node, yaml.ScalarNode):
        return Spot(start.line, start.column)
    width = end.column - start.column if start.line == end.line else 1
    return Spot(start.line, start.column, node.style or "", max(1, width))


def _in_file(lines: tuple[str, ...], spot: Spot, text: str, start: int) -> Spot | None:
    """Where character `start` of a scalar's text stands in the file.

    Folding and indentation move blanks only, so the visible characters are counted. None where
    the file has an escape that cannot be followed.
    """
    visible = len("".join(text.split()))
    left = min(len("".join(text[:start].split())), max(0, visible - 1))
    line, column = spot.line, spot.column + (spot.style in ("'", '"'))
    if spot.style in ("|", ">"):
        line, column = line + 1, 0
    while line < len(lines):
        row = lines[line]
        while column < len(row):
            width = 1
            if spot.style == "'" and row.startswith("''", column):
                width = 2
            elif spot.style == '"' and row[column] == "\\":
                width = 2
                if row[column + 1 : column + 2] not in ('"', "\\"):
                    return None
            if not row[column].isspace():
                if left == 0:
                    return Spot(line, column)
                left -= 1
            column += width
        line, column = line + 1, 0
    return None
