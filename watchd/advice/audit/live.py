"""The audit as it goes on in a running watch: done anew only where a setting has changed.

A sample costs the comparison of a tuple, a bank that of its packs' sheets.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from watchd.advice.audit import audit_bank, audit_pack, faults
from watchd.advice.audit.finding import Finding
from watchd.advice.audit.sheet import Sheet, make_sheet
from watchd.config import Bank, Pack, Profile
from watchd.figures import Figures
from watchd.settings import NO_SETTINGS_FAULT


class PackAudit:
    """The sheet of one pack, its findings, and the figures of them."""

    def __init__(self, name: str, pack: Pack, bank: Bank, profile: Profile) -> None:
        self._config = (name, pack, bank, profile)
        self._reported: dict[str, float] = {}
        self._spread_mv: float | None = None
        self.sheet: Sheet
        self.findings: list[Finding]
        self.figures: Figures
        self._look()

    def update(self, reported: Mapping[str, float], spread_mv: object) -> None:
        """Take what the BMS reports of its settings now, and the spread at full if it is known."""
        spread = float(round(spread_mv)) if isinstance(spread_mv, int | float) else None
        if spread != self._spread_mv or reported != self._reported:
            self._reported, self._spread_mv = dict(reported), spread
            self._look()

    def _look(self) -> None:
        self.sheet = make_sheet(*self._config, self._reported, self._spread_mv)
        self.findings = audit_pack(self.sheet)
        self.figures = _figures(self.findings)


class BankAudit:
    """The findings among the packs of one bank, and the figures of them."""

    def __init__(self, bank: str) -> None:
        self._bank = bank
        self._seen: list[Sheet] | None = None
        self.findings: list[Finding] = []
        self.figures: Figures = _figures(())

    def update(self, sheets: list[Sheet]) -> bool:
        """Take the packs' sheets as they are now; whether they are others than before."""
        if sheets == self._seen:
            return False
        self._seen = sheets
        self.findings = audit_bank(self._bank, sheets)
        self.figures = _figures(self.findings)
        return True


def audit_data(sheets: Iterable[Sheet], findings: Iterable[Finding]) -> dict[str, Any]:
    """Plain data, for an answer."""
    return {
        "sheets": [sheet.as_data() for sheet in sheets],
        "findings": [finding.as_data() for finding in findings],
    }


def _figures(findings: Sequence[Finding]) -> Figures:
    wrong = faults(findings)
    return {
        "settings_faults": len(wrong),
        "settings_fault": wrong[0].what if wrong else NO_SETTINGS_FAULT,
    }
