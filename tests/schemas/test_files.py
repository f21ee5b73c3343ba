"""The JSON Schemas of config and rules hold what the loader holds, as far as they can see."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.schemas.files import BROKEN, ROOT, SCHEMAS, complaints, parsed
from watchd.durations import parse_duration
from watchd.errors import WatchdError

CONFIGS = [
    ROOT / "config.example.yaml",
    ROOT / "config.sunspec.example.yaml",
    ROOT / "tests" / "config" / "hut.yaml",
]
RULES = [*ROOT.glob("rules/*.yaml"), *ROOT.glob("tests/config/rules/*.yaml")]

# Each broken file, and whether JSON Schema sees what is wrong with it. What it cannot see takes a
# look at another section, a parser (of conditions, texts, JSONPath), or YAML itself.
SEEN = {
    "config": """
        bad-bit bad-duration bad-jsonpath bad-prefix bad-time-of-day comments-only empty-values
        empty literals no-time-of-day
        mapping-that-does-not-fit missing-key missing-sections name-of-a-pack not-a-mapping
        out-of-range pack-not-named password-in-the-file text-not-in-quotes two-mistakes
        two-passwords unknown-capture unknown-event unknown-key-at-the-top unknown-key-far-from-any
        unknown-key unknown-telemetry-name value-and-json wildcard-topic wrong-types
    """,
    "rules": """
        a-rule-alone about annunciate bad-duration charge-limit deadband-of-another-subject
        deadband-of-no-figure deadband-that-is-none disabled-with-text empty
        examples-that-are-incomplete examples figure-of-another-subject group-name
        latching-that-is-text missing-keys name-of-a-rule not-a-condition not-a-rule priority
        re-alarm-time several-mistakes too-long unknown-key until-and-deadband
    """,
}
UNSEEN = {
    "config": """
        bank-without-packs below-own-prefix cell-without-cells charge-voltage-above-overvoltage
        date-instead-of-text full-when recovery-above-overvoltage unknown-bank unknown-pack
    """,
    "rules": """
        column-after-umlauts column-in-double-quotes column-in-folded-text column-in-literal-text
        column-in-plain-text column-in-quotes-over-two-lines column-in-single-quotes
        column-in-text-over-two-lines comment-in-folded-text deadband-without-a-direction
        deadband-without-a-limit duplicate-rule duration-not-quoted equals-sign figure-in-a-text
        suppress-when-not-a-condition suppress-when-unknown-name units unknown-function until
        window-without-duration word-that-never-comes
    """,
}
NO_YAML = {
    "config": """
        alias brace-not-quoted bracket-not-closed colon-in-text control-character date-that-is-none
        duplicate-key indentation no-such-character not-text not-utf8 quote-not-closed tab tag
        too-deep two-documents
    """,
    "rules": "text-with-braces-not-quoted",
}
KINDS = ["config", "rules"]


@pytest.mark.parametrize("kind", KINDS)
def test_each_schema_is_one(kind: str) -> None:
    Draft202012Validator.check_schema(SCHEMAS[kind])
    assert SCHEMAS[kind]["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("path", CONFIGS, ids=lambda p: p.name)
def test_a_config_that_loads_is_right(path: Path) -> None:
    assert complaints("config", parsed(path).data) == []


@pytest.mark.parametrize("path", RULES, ids=lambda p: p.name)
def test_rules_that_load_are_right(path: Path) -> None:
    assert complaints("rules", parsed(path).data) == []


@pytest.mark.parametrize("kind", KINDS)
def test_the_tables_name_every_broken_file(kind: str) -> None:
    named = [*SEEN[kind].split(), *UNSEEN[kind].split(), *NO_YAML[kind].split()]
    assert len(set(named)) == len(named)
    assert set(named) == {path.stem for path in (BROKEN / kind).glob("*.yaml")}


@pytest.mark.parametrize(
    ("kind", "name", "seen"),
    [(k, n, True) for k in KINDS for n in SEEN[k].split()]
    + [(k, n, False) for k in KINDS for n in UNSEEN[k].split()],
)
def test_a_broken_file_is_seen_by_the_schema_or_cannot_be(kind: str, name: str, seen: bool) -> None:
    found = complaints(kind, parsed(BROKEN / kind / f"{name}.yaml").data)
    assert bool(found) == seen, found


@pytest.mark.parametrize(("kind", "name"), [(k, n) for k in KINDS for n in NO_YAML[k].split()])
def test_what_is_no_yaml_never_comes_to_the_schema(kind: str, name: str) -> None:
    with pytest.raises((WatchdError, UnicodeDecodeError)):
        parsed(BROKEN / kind / f"{name}.yaml")


def keys(schema: Any) -> list[dict[str, Any]]:
    """Every key of every section that a file may have."""
    sections = [schema, *schema["$defs"].values()]
    return [key for section in sections for key in section.get("properties", {}).values()]


@pytest.mark.parametrize("kind", KINDS)
def test_an_editor_has_something_to_show_for_each_key(kind: str) -> None:
    found = keys(SCHEMAS[kind])
    assert len(found) > 40
    assert all(key.get("description") for key in found)


@pytest.mark.parametrize("kind", KINDS)
def test_every_section_refuses_other_keys(kind: str) -> None:
    """A mapping of free names has a form for them, or a schema for their values."""
    for name, section in {"": SCHEMAS[kind], **SCHEMAS[kind]["$defs"]}.items():
        if section.get("type") == "object":
            assert section["additionalProperties"] is False, name


@pytest.mark.parametrize("kind", KINDS)
def test_defaults_are_shown_as_people_write_them(kind: str) -> None:
    defaults = [(key["default"], key) for key in keys(SCHEMAS[kind]) if "default" in key]
    durations = [d for d, key in defaults if r"(s|min|h|d)" in key.get("pattern", "")]
    assert len(durations) >= (7 if kind == "config" else 2)
    for duration in durations:
        assert parse_duration(duration) >= 0
    for default, key in defaults:
        assert Draft202012Validator({**key, "$defs": SCHEMAS[kind]["$defs"]}).is_valid(default), key


@pytest.mark.parametrize(
    ("path", "kind"),
    [(p, "config") for p in CONFIGS[:2]] + [(p, "rules") for p in ROOT.glob("rules/*.yaml")],
    ids=lambda x: getattr(x, "name", x),
)
def test_the_first_line_ties_a_file_to_its_schema(path: Path, kind: str) -> None:
    """The comment is the general convention of YAML language servers: a path from the file on."""
    first = path.read_text(encoding="utf-8").split("\n", 1)[0]
    assert re.fullmatch(rf"# yaml-language-server: \$schema={kind}\.schema\.json", first)


@pytest.mark.parametrize("word", ["yes", "No", "ON", "off"])
def test_yes_and_no_are_taken_as_the_loader_takes_them(word: str) -> None:
    """An editor reads YAML 1.2, where they are text; the loader reads 1.1."""
    config = parsed(CONFIGS[0]).data
    config["packs"]["alder"]["in_service"] = word
    assert complaints("config", config) == []
    config["packs"]["alder"]["in_service"] = "perhaps"
    assert complaints("config", config) != []
