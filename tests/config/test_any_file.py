"""Whatever stands in a file: it loads, or the error names the line."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from watchd import load
from watchd.engine import Engine
from watchd.errors import WatchdError
from watchd.loading import load_rules

HERE = Path(__file__).parent
CONFIG = (HERE / "hut.yaml").read_text(encoding="utf-8")
RULES = (HERE / "rules" / "cells.yaml").read_text(encoding="utf-8")
STEADY = settings(deadline=None, derandomize=True, database=None)
NOON = 1_790_000_000.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("any")


def outcome(folder: Path, kind: str, content: bytes) -> WatchdError | None:
    path = folder / f"{kind}.yaml"
    path.write_bytes(content)
    try:
        if kind == "config":
            config, rules = load(path, rules=HERE / "rules")
            # What loads can be watched with.
            Engine(config, rules).feed("hut/alder/state", b'{"volts": 53.1, "mv": []}', NOON)
        else:
            load_rules(path)
    except WatchdError as error:
        return error
    return None


def check(folder: Path, kind: str, content: str | bytes) -> None:
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    error = outcome(folder, kind, data)
    if error is None:
        return
    lines = len(data.decode("utf-8", "replace").splitlines()) + 1
    for problem in error.problems:
        assert problem.place is not None, problem
        assert problem.place.line is not None, problem
        assert 1 <= problem.place.line <= lines
        assert problem.place.column is None or problem.place.column >= 1
    str(error).encode()  # can be printed


# --- mutations of a tree ---

SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.sampled_from(
        [
            None, True, False, 0, 1, -1, 16, 3.65, 1e308, 10**400, float("inf"), float("nan"),
            "", " ", "x", "hut", "alder", "{pack}", "$.volts", "$[", "5 min", "-5 s", "yes", "0",
            "current_a > 1", "current_a >", "OVER_VOLT", "cell_v", "../..", "é" * 50, "#", "a\nb",
            "x" * 3000, date(2026, 9, 21), datetime(2026, 9, 21, tzinfo=UTC), b"\x00",
        ]
    ),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
)  # fmt: skip
VALUES = st.one_of(
    SCALARS,
    st.lists(SCALARS, max_size=2),
    st.dictionaries(st.one_of(st.text(max_size=3), st.integers(-1, 70)), SCALARS, max_size=2),
)


def places(data: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """The path of every node below the root."""
    steps = data.items() if isinstance(data, dict) else enumerate(data)
    for step, value in steps:
        yield (*path, step)
        if isinstance(value, dict | list):
            yield from places(value, (*path, step))


@st.composite
def mutated(draw: st.DrawFn, original: str) -> str:
    """The file with one to three of its nodes deleted, replaced, doubled, renamed or moved."""
    data = yaml.safe_load(original)
    for _ in range(draw(st.integers(1, 3))):
        known = list(places(data))
        if not known:
            break
        place = draw(st.sampled_from(known))
        parent: Any = data
        for step in place[:-1]:
            parent = parent[step]
        last: Any = place[-1]
        match draw(st.sampled_from(["delete", "replace", "double", "rename", "move"])):
            case "delete":
                del parent[last]
            case "replace":
                parent[last] = draw(VALUES)
            case "double" if isinstance(parent, list):
                parent.append(deepcopy(parent[last]))
            case "double" | "rename" if isinstance(parent, dict):
                name = draw(st.one_of(st.just(f"{last}s"), st.text(max_size=4), st.integers(0, 99)))
                parent[name] = deepcopy(parent[last])
            case _:
                value = parent[last]
                elsewhere = draw(st.sampled_from(known))
                target = data
                try:
                    for step in elsewhere[:-1]:
                        target = target[step]
                    target[elsewhere[-1]] = deepcopy(value)
                except (KeyError, IndexError, TypeError):
                    continue  # it went with an earlier one
    return yaml.safe_dump(data, allow_unicode=True, sort_keys=False)


@settings(STEADY, max_examples=150)
@given(mutated(CONFIG))
def test_a_config_with_nodes_changed(folder: Path, text: str) -> None:
    check(folder, "config", text)


@settings(STEADY, max_examples=150)
@given(mutated(RULES))
def test_rules_with_nodes_changed(folder: Path, text: str) -> None:
    check(folder, "rules", text)


# --- slips of the pen ---

SNIPPETS = [
    "\t", "  ", "-", ":", ": ", "#", "{", "}", "[", "]", "'", '"', "*x", "&x ", "!!int ", "|", ">",
    "?", "@", "%", "\\", "\n", "---\n", "...\n", "\u2028", "\x85", "\xa0", "é", "0", "_",
]  # fmt: skip


@st.composite
def slipped(draw: st.DrawFn, original: str) -> str:
    """The file with a few lines lost, doubled or indented, and a few characters put in or lost."""
    lines = original.split("\n")
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        line = lines[at]
        column = draw(st.integers(0, len(line)))
        match draw(st.sampled_from(["lose", "double", "indent", "put in", "cut"])):
            case "lose":
                lines[at] = ""
            case "double":
                lines.insert(at, line)
            case "indent":
                lines[at] = draw(st.sampled_from(["\t", " ", "  "])) + line
            case "put in":
                lines[at] = line[:column] + draw(st.sampled_from(SNIPPETS)) + line[column:]
            case "cut":
                lines[at] = line[:column]
    return "\n".join(lines)


@settings(STEADY, max_examples=150)
@given(slipped(CONFIG))
def test_a_config_with_slips_of_the_pen(folder: Path, text: str) -> None:
    check(folder, "config", text)


@settings(STEADY, max_examples=150)
@given(slipped(RULES))
def test_rules_with_slips_of_the_pen(folder: Path, text: str) -> None:
    check(folder, "rules", text)


# --- anything at all ---

ANY_TEXT = st.one_of(
    st.text(max_size=60),
    st.lists(
        st.sampled_from([*SNIPPETS, "banks", "packs", "rule", "when", "- ", " ", "1", "x"]),
        max_size=25,
    ).map("".join),
)


@settings(STEADY, max_examples=500)
@given(st.sampled_from(["config", "rules"]), ANY_TEXT)
@example("config", "a: !!bool x")
@example("config", "a: !!timestamp x")
@example("config", "a: !!int ''")
@example("config", "a: !!binary x")
@example("config", 'a: "\\UFFFFFFFF"')
@example("config", 'a: "\\ud800"')
@example("config", "010: x")
@example("config", "1:30: x")
@example("config", "0x_: x")
@example("config", "a: 0x_")
@example("config", "a: " + "1:" * 300 + "1.5")
@example("config", "a: 2026-99-99")
@example("config", "a: " + "9" * 5000)
@example("config", "{" * 3000)
@example("config", "- " * 3000)
@example("config", "a: &x [*x]")
@example("config", "? {a: b}\n: c")
@example("config", "a: 1\x07")
@example("config", "\ufeff")
@example("rules", "- rule: a\n  when: !!python/object/apply:os.system ['true']")
def test_any_text(folder: Path, kind: str, text: str) -> None:
    check(folder, kind, text)


@settings(STEADY, max_examples=200)
@given(st.sampled_from(["config", "rules"]), st.binary(max_size=40))
@example("config", b"\xff\xfeb\x00")
@example("config", b"a: \x80")
def test_any_bytes(folder: Path, kind: str, content: bytes) -> None:
    check(folder, kind, content)


@pytest.mark.parametrize("kind", ["config", "rules"])
def test_a_file_beyond_all_measure(folder: Path, kind: str) -> None:
    error = outcome(folder, kind, b"#" * 1_000_001)
    assert str(error) == f"{folder / kind}.yaml: larger than 1,000,000 bytes"


@pytest.mark.parametrize("path", ["$[?" + "!" * 5000 + "@.a]", "$" + "[" * 5000, "$[?(" * 3000])
def test_a_jsonpath_beyond_all_measure(folder: Path, path: str) -> None:
    check(folder, "config", CONFIG.replace("$.volts", f"'{path}'"))


@pytest.mark.long
@pytest.mark.parametrize("kind", ["config", "rules"])
@settings(STEADY, max_examples=3000)
@given(st.data())
def test_a_great_many_changes(folder: Path, kind: str, data: st.DataObject) -> None:
    original = CONFIG if kind == "config" else RULES
    check(folder, kind, data.draw(st.one_of(mutated(original), slipped(original))))
