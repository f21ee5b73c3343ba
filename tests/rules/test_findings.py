"""What loads but is likely not meant: the words that a keeper reads, and that good rules have none.

Each file in `findings` has the approved text beside it. After a change of wording that is meant,
write them anew, and read every one that differs before it is kept:

    WATCHD_APPROVE=1 python -m pytest tests/rules/test_findings.py
"""

from __future__ import annotations

import os
from pathlib import Path
from random import Random
from typing import Any

import pytest
import yaml

from tests.language.conditions import Author, written
from tests.rules.shipped_rules import RULES
from watchd.errors import WatchdError
from watchd.figures import Value
from watchd.loading import load_rules
from watchd.rules.boundaries import boundaries_of
from watchd.rules.finding import Finding, FindingKind
from watchd.rules.findings import findings_of
from watchd.rules.loader import compile_rules

APPROVED = Path(__file__).parent / "findings"
APPROVE = "WATCHD_APPROVE" in os.environ
FILES = sorted(APPROVED.glob("*.yaml"))


def found_in(file: Path, monkeypatch: pytest.MonkeyPatch) -> list[Finding]:
    """The findings of a file, from its own folder, so that no path is in them."""
    monkeypatch.chdir(file.parent)
    return findings_of(load_rules(Path(file.name)))


def kinds(when: str, **keys: str) -> list[FindingKind]:
    """The kinds of findings of a rule that has all that a person needs."""
    more = "".join(f"  {key}: {value}\n" for key, value in keys.items())
    text = f"- rule: r\n  when: '{when}'\n  priority: journal\n  say: x\n{more}"
    found = findings_of(compile_rules([("r.yaml", text)]))
    return [f.kind for f in found if f.kind is not FindingKind.EXAMPLES]


def test_shipped_rules_have_none() -> None:
    assert [str(finding) for finding in findings_of(list(RULES.values()))] == []


@pytest.mark.parametrize("file", FILES, ids=lambda p: p.stem)
def test_text(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "".join(f"{finding}\n" for finding in found_in(file, monkeypatch))
    approved = file.with_suffix(".txt")
    if APPROVE:
        approved.write_text(text, encoding="utf-8")
    assert text == approved.read_text(encoding="utf-8")


@pytest.mark.parametrize("file", FILES, ids=lambda p: p.stem)
def test_each_says_where_and_is_said_once(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = found_in(file, monkeypatch)
    assert found
    for finding in found:
        place = finding.problem.place
        assert place is not None
        assert place.line is not None
        assert place.column is not None
        assert len(finding.problem.what) < 200
    assert len({str(finding) for finding in found}) == len(found)


def test_every_kind_is_in_the_approved_texts(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = {finding.kind for file in FILES for finding in found_in(file, monkeypatch)}
    assert seen == set(FindingKind)


NEVER, RETURNS = FindingKind.NEVER_RAISED, FindingKind.NEVER_RETURNS
UNIT, NOISE, CHATTER = FindingKind.UNIT, FindingKind.NOISE, FindingKind.CHATTER


@pytest.mark.parametrize(
    ("when", "found"),
    [
        # At the end of the range: a finding on the far side only.
        ('mean(cell_max_v, "1 min") > 5.1', [NEVER]),
        ('highest(cell_max_v, "1 min") > 5', [NEVER]),
        ('highest(cell_max_v, "1 min") >= 5', []),
        ("soc_estimate_pct > 100", [NEVER]),
        ("soc_estimate_pct >= 100", []),
        ("since_full_h < 0", [NEVER]),
        ("full_count >= 0", [RETURNS]),
        # Limits that are fine, and must not be called a slip of the unit.
        ("spread_slope_mv > 0.05", []),
        ("spread_at_full_mv > 0.5", []),
        ("spread_at_full_mv > 0.4", [UNIT]),
        ("soh_sigma_pct > 0.5", []),
        ("soc_error_pct > 0.5", []),
        ("soc_estimate_pct < 1", []),
        ("soc_estimate_pct < 0.99", [UNIT]),
        ("soc_estimate_pct <= 0", []),
        ("joint_excess_mohm > 0.005", []),
        ("joint_heat_w > 0.2", []),
        # A setting of the config in mV.
        ("overvoltage_v > 3650", [UNIT]),
        ("nameplate_ah > 230000", [UNIT]),
        # Counts, estimates and settings are not noise.
        ("trips_24h > 3", []),
        ("capacity_ah < 0.8 * nameplate_ah", []),
        ("telemetry_age_s > 90", []),
        ("current_a > 0.5 * nameplate_ah", [NOISE, CHATTER]),
        ('count(current_a > 100, "1 h") > 5', []),
    ],
)
def test_about_the_edge_of_each(when: str, found: list[FindingKind]) -> None:
    assert kinds(when) == found


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({}, [NOISE, CHATTER]),
        ({"on_delay": "10 s"}, [CHATTER]),
        ({"off_delay": "10 s"}, [NOISE]),
        ({"deadband": "{cell_max_v: 0.05}"}, [NOISE]),
        ({"until": "cell_max_v < 3.5"}, [NOISE]),
        ({"latching": "yes"}, [NOISE]),
        ({"on_delay": "10 s", "deadband": "{cell_max_v: 0.05}"}, []),
    ],
)
def test_what_quiets_noise(keys: dict[str, str], found: list[FindingKind]) -> None:
    assert kinds("cell_max_v > 3.6", **keys) == found


def test_whatever_loads_can_be_looked_through_and_tried() -> None:
    author, loaded = Author(Random(62682)), 0
    for _ in range(150):
        conditions = [author.condition(), author.limits()]
        for text in map(written, conditions):
            given = {name: _plain(value) for name, value in author.figures([0.0, 40.0]).items()}
            examples = [{"given": given, "lasting": "1 min", "expect": "raised"}]
            entry: dict[str, Any] = {"rule": "r", "when": text, "say": "x"}
            entry |= {
                "until": written(author.limits()),
                "priority": "low",
                "examples": examples,
                "on_delay": "10 s",
            }
            try:
                rules = compile_rules([("r.yaml", yaml.safe_dump([entry], width=1000))])
            except WatchdError:
                continue  # too many parts, or a word that never comes
            loaded += 1
            for finding in findings_of(rules):
                assert finding.problem.place is not None
                assert finding.problem.width >= 1
            for boundary in boundaries_of(rules[0]).found:
                assert boundary.about
    assert loaded > 200


def _plain(value: Value) -> Any:
    return list(value) if isinstance(value, tuple) else value
