"""`watchd check` as a keeper sees it: findings, examples and the cases about each limit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from watchd.commands import main

CONFIG = """
broker: {host: localhost}
banks: {hut: {charge_voltage_v: 56.0, full_when: voltage_v >= 55.9, max_charge_a: 300}}
packs: {alder: {bank: hut, nameplate_ah: 230, max_charge_a: 115, max_discharge_a: 150}}
sources:
  - topic: hut/{pack}/state
    json: {voltage_v: $.v, current_a: $.a, cell_v: "$.c[*]"}
rules: rules.yaml
"""
GOOD = """
- rule: spread
  when: cell_spread_mv > 40
  on_delay: 2 min
  off_delay: 10 min
  priority: low
  say: "{pack}"
  cause: One.
  consequence: Two.
  response: Three.
  examples:
    - {given: {cell_spread_mv: 55}, lasting: 3 min, expect: raised}
    - {given: {cell_spread_mv: 30}, lasting: 3 min, expect: quiet}
"""


class Hut:
    """A folder with a config and rules, and the command in it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys
        self.config, self.rules = folder / "config.yaml", folder / "rules.yaml"
        self.config.write_text(CONFIG)

    def check(self, rules: str, *more: str) -> tuple[int, str, str]:
        self.rules.write_text(rules)
        code = main(["check", "--config", str(self.config), *more])
        said = self._capsys.readouterr()
        return code, said.out, said.err

    def checked(self, rules: str, *more: str) -> Any:
        return json.loads(self.check(rules, "--json", *more)[1])


@pytest.fixture
def hut(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Hut:
    return Hut(tmp_path, capsys)


def test_good_rules_have_no_findings_and_count_their_cases(hut: Hut) -> None:
    code, out, err = hut.check(GOOD)
    assert (code, err) == (0, "")
    assert "1 rule, 2 examples, all as expected" in out
    assert "9 boundary cases: --cases shows them" in out
    assert "^" not in out


def test_a_finding_has_its_place_and_fails_only_where_it_is_asked_to(hut: Hut) -> None:
    noisy = GOOD.replace("  on_delay: 2 min\n", "")
    code, out, err = hut.check(noisy)
    assert (code, err) == (0, "")
    assert out.count("rules.yaml:3:9: 'cell_spread_mv' is a measurement") == 1
    lines = out.splitlines()
    caret = next(i for i, line in enumerate(lines) if "^" in line)
    assert lines[caret].index("^") == lines[caret - 1].index("cell_spread_mv")
    assert hut.check(noisy, "--strict")[0] == 1
    assert hut.check(GOOD, "--strict")[0] == 0


def test_findings_as_data(hut: Hut) -> None:
    (found,) = hut.checked(GOOD.replace("> 40", "> 5000"))["findings"]
    assert {key: found[key] for key in ("kind", "rule", "line", "column", "width")} == {
        "kind": "never raised",
        "rule": "spread",
        "line": 3,
        "column": 9,
        "width": 21,
    }
    assert found["file"].endswith("rules.yaml")
    assert "never above 4500 mV" in found["says"]
    assert "never above" not in hut.check(GOOD)[1]


def test_cases_fit_a_phone(hut: Hut) -> None:
    _, out, _ = hut.check(GOOD, "--cases")
    table = out.split("\n\n")[1]
    assert table.splitlines() == [
        "spread",
        "  about example 1, one figure at a time:",
        "  cell_spread_mv > 40",
        "    39 mV quiet, 40 mV quiet, 41 mV raised",
        "    then 41 mV stays, 40 mV returns",
        "  on_delay: 2 min",
        "    1 s less quiet, 2 min raised",
        "  off_delay: 10 min",
        "    then 1 s less stays, 10 min returns",
    ]
    assert max(len(line) for line in table.splitlines()) <= 60


def test_cases_of_the_rules_that_are_named(hut: Hut) -> None:
    two = GOOD + GOOD.replace("rule: spread", "rule: other")
    _, out, _ = hut.check(two, "--cases", "other")
    assert "\nother\n" in out
    assert "\nspread\n" not in out
    code, out, err = hut.check(two, "--cases", "othr")
    assert (code, out) == (2, "")
    assert "there is no rule 'othr'; did you mean 'other'?" in err


def test_cases_as_data(hut: Hut) -> None:
    limit, on_delay, _ = hut.checked(GOOD)["cases"]
    assert limit == {
        "rule": "spread",
        "example": 1,
        "about": "cell_spread_mv > 40",
        "cases": [
            {"value": "39 mV", "raised": False},
            {"value": "40 mV", "raised": False},
            {"value": "41 mV", "raised": True},
        ],
        "returns": [{"value": "41 mV", "raised": True}, {"value": "40 mV", "raised": False}],
    }
    assert on_delay["about"] == "on_delay: 2 min"


def test_a_failed_example_fails_beside_the_findings(hut: Hut) -> None:
    code, out, _ = hut.check(GOOD.replace("expect: quiet", "expect: raised"))
    assert code == 1
    assert "example 2: cell_spread_mv 30.0, lasting 3 min, is quiet; expected: raised" in out
    assert "no example with 'expect: quiet'" in out
