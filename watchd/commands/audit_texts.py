"""What `watchd audit` prints: each pack's voltages as a ladder, then what was found."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from watchd.advice.audit.finding import CAUTION, Severity
from watchd.commands.columns import wrapped

# These stand in the ladder, computed from others.
_COMPUTED = {
    "leading_cell_v": "leading cell at full",
    "charge_cell_v": "charge voltage of a cell",
}
_KEPT = "\xa0"  # a space at which no line is broken
_NOT_BESIDES = ("spread_mv", "bank.charge_voltage_v", "cells_in_series")


def audit_lines(data: dict[str, Any], *, live: bool) -> Iterator[str]:
    """All of it. `data` is the answer to `audit`."""
    if live:
        yield from wrapped("As a running watchd has it, with what the BMSs report.", "")
    else:
        yield from wrapped(
            "From the config alone; with --live a running watchd is asked, and what the BMSs "
            "report counts.",
            "",
        )
    for sheet in data["sheets"]:
        yield ""
        yield from sheet_lines(sheet)
    yield ""
    yield from finding_lines(data["findings"])


def sheet_lines(sheet: dict[str, Any]) -> Iterator[str]:
    """The voltages of a cell, the highest first, and the other settings."""
    lines = sheet["settings"]
    ladder = [x for x in lines if _is_rung(x) and x["value"] is not None]
    by_name = {x["setting"]: x for x in lines}
    yield from wrapped(f"pack {sheet['pack']}, bank {sheet['bank']}", "")
    rows = [
        (_COMPUTED.get(x["setting"], x["setting"]), f"{x['value']:.3f}", _origin(x, by_name))
        for x in sorted(ladder, key=lambda x: -x["value"])
    ]
    width = max(len(name) for name, _, _ in rows)
    yield f"{'a cell, highest first':<{width}} {'V':>6}  from"
    for name, value, origin in rows:
        yield f"{name:<{width}} {value:>6}  {origin}"
    besides = [x for x in lines if x not in ladder and x["setting"] not in _NOT_BESIDES]
    listed = ", ".join(_besides(x).replace(" ", _KEPT) for x in besides)
    yield from _paragraph(f"Besides: {listed}.", "")


def _is_rung(line: dict[str, Any]) -> bool:
    setting = line["setting"]
    return (
        setting in _COMPUTED
        or setting.startswith(("cell.", "bms."))
        or (setting == "balancer.from_v")
    )


def _origin(line: dict[str, Any], by_name: dict[str, dict[str, Any]]) -> str:
    if line["setting"] == "charge_cell_v":
        bank_v, cells = by_name["bank.charge_voltage_v"], by_name["cells_in_series"]
        return f"{bank_v['value']:g} V by {cells['value']:g} cells"
    if line["setting"] == "leading_cell_v":
        seen = "seen at full" if line["origin"] == "telemetry" else "a usual spread"
        return f"+ {by_name['spread_mv']['value']:g} mV, {seen}"
    said = line.get("config")
    if said is not None and said != line["value"]:
        return f"{line['origin']}; config {said:.3f}"
    return str(line["origin"])


def _besides(line: dict[str, Any]) -> str:
    if line["value"] is None:
        return f"{line['setting']} not entered"
    assumed = " (default)" if line["origin"] == "default" else ""
    return f"{line['setting']} {line['value']:g}{assumed}"


def finding_lines(findings: list[dict[str, Any]]) -> Iterator[str]:
    """What was found, faults first; what is found of several packs is explained once."""
    number = sum(f["severity"] == Severity.FAULT for f in findings)
    yield f"{_counted(number, 'fault')}, {_counted(len(findings) - number, 'remark')}".capitalize()
    if any(CAUTION in f["response"] for f in findings):
        yield from wrapped(f"Caution, before a setting is changed. {CAUTION}", "")
    kinds: dict[str, list[dict[str, Any]]] = {}
    for finding in sorted(findings, key=lambda f: f["severity"] != Severity.FAULT):
        kinds.setdefault(finding["finding"], []).append(finding)
    for name, found in kinds.items():
        first = found[0]
        yield ""
        yield f"{first['severity']}: {name}"
        for finding in found:
            yield from _paragraph(f"{finding['subject']}: {finding['what']}.", "  ")
        yield from _paragraph(f"Why: {first['why']}", "  ")
        yield from _paragraph(f"Usual: {first['usual']}", "  ")
        response = first["response"].replace(CAUTION, "Mind the caution above.")
        yield from _paragraph(f"Do: {response}", "  ")


def _paragraph(text: str, indent: str) -> Iterator[str]:
    """Wrapped, but not between a setting and its value, or a value and its unit."""
    text = re.sub(r"(?<=_[va]) (?=\d)|(?<=\d) (?=mV|V|Ah|A|C|%|°C)", _KEPT, text)
    for line in wrapped(text, indent):
        yield line.replace(_KEPT, " ")


def _counted(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"
