"""The audit of the settings: the sheet of each pack, checked for order and margins.

Config and what the BMSs report in, findings out. A fault contradicts itself or the cell maker's
limits; a remark is unusual, or a margin that is thin.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from watchd.advice.audit.bank_checks import BANK_CHECKS
from watchd.advice.audit.check import Check
from watchd.advice.audit.entered_checks import ENTERED_CHECKS
from watchd.advice.audit.finding import Finding, Severity
from watchd.advice.audit.full_checks import FULL_CHECKS
from watchd.advice.audit.overvoltage_checks import OVERVOLTAGE_CHECKS
from watchd.advice.audit.sheet import Sheet
from watchd.advice.audit.undervoltage_checks import UNDERVOLTAGE_CHECKS

PACK_CHECKS: tuple[Check, ...] = (
    *OVERVOLTAGE_CHECKS,
    *UNDERVOLTAGE_CHECKS,
    *FULL_CHECKS,
    *ENTERED_CHECKS,
)


def audit_pack(sheet: Sheet) -> list[Finding]:
    """What is found in one sheet, faults first."""
    found = [
        Finding(check.advised, sheet.subject, what)
        for check in PACK_CHECKS
        if (what := check.find(sheet)) is not None
    ]
    return _faults_first(found)


def audit_bank(bank: str, sheets: Iterable[Sheet]) -> list[Finding]:
    """What is found among the packs of a bank, faults first; those of each pack not among them."""
    # By name, so that the order of the packs in the config changes no word.
    ordered = sorted(sheets, key=lambda sheet: sheet.name)
    if not ordered:
        return []
    found = [
        Finding(check.advised, f"bank/{bank}", what)
        for check in BANK_CHECKS
        if (what := check.find(ordered)) is not None
    ]
    return _faults_first(found)


def faults(findings: Iterable[Finding]) -> list[Finding]:
    """Those that are no mere remarks."""
    return [finding for finding in findings if finding.severity is Severity.FAULT]


def audit(sheets: Sequence[Sheet]) -> list[Finding]:
    """What is found in all sheets, pack by pack, then bank by bank."""
    found = [finding for sheet in sheets for finding in audit_pack(sheet)]
    for bank in dict.fromkeys(sheet.bank for sheet in sheets):
        found += audit_bank(bank, (sheet for sheet in sheets if sheet.bank == bank))
    return found


def _faults_first(findings: list[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda finding: finding.severity is not Severity.FAULT)
