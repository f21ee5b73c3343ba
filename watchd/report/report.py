"""A report put together: what is said of each subject and what is drawn of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watchd.report.findings import Finding, findings_of_bank, findings_of_pack
from watchd.report.findings.finding import Known
from watchd.report.season import BankSeason, PackSeason, Season
from watchd.report.series.alarms import Alarms
from watchd.report.series.capacity import Capacity
from watchd.report.series.cells import Cells
from watchd.report.series.current import Current
from watchd.report.series.energy import Energy
from watchd.report.series.joints import Joints
from watchd.report.series.shown import Shown
from watchd.report.series.soc import Soc
from watchd.report.series.spread import Spread
from watchd.report.span import Span
from watchd.report.words import Paragraph, opening, paragraph, to_do
from watchd.rules.rule import Rule


@dataclass(frozen=True, slots=True)
class Section:
    """A bank or a pack: its findings, and the numbers of its drawings in their order."""

    subject: str  # bank/NAME or pack/NAME
    findings: tuple[Finding, ...]
    drawings: tuple[Shown, ...]

    @property
    def name(self) -> str:
        """Of the subject."""
        return self.subject.split("/", 1)[1]

    @property
    def kind(self) -> str:
        """bank or pack."""
        return self.subject.split("/", 1)[0]

    @property
    def words(self) -> Paragraph:
        """What is said of it."""
        return paragraph(self.name, self.findings)


@dataclass(frozen=True, slots=True)
class Report:
    """Each bank, and behind it its packs."""

    span: Span
    sections: tuple[Section, ...]

    left_out: tuple[str, ...]  # packs of these banks that nobody asked for

    @property
    def findings(self) -> list[Finding]:
        """Of all subjects."""
        return [finding for section in self.sections for finding in section.findings]

    @property
    def asked(self) -> list[Finding]:
        """What a person should do, the most urgent first."""
        return to_do(self.findings)

    @property
    def opening(self) -> str:
        """Its first sentence."""
        return opening(self.findings, len(self.packs))

    @property
    def packs(self) -> list[str]:
        """Their names."""
        return [section.name for section in self.sections if section.kind == "pack"]

    @property
    def banks(self) -> list[str]:
        """Their names."""
        return [section.name for section in self.sections if section.kind == "bank"]


def report_of(season: Season, rules: Mapping[str, Rule]) -> Report:
    """From what was read, and the rules in force by name."""
    known = Known(season.span, rules)
    sections = []
    for bank in season.banks:
        sections.append(_of_bank(bank, known))
        sections.extend(_of_pack(pack, known) for pack in bank.packs)
    left_out = tuple(name for bank in season.banks for name in bank.left_out)
    return Report(season.span, tuple(sections), left_out)


def _of_bank(bank: BankSeason, known: Known) -> Section:
    drawings: list[Shown] = [Current.of(bank, known.span), Alarms.of(bank, known.span)]
    if len(bank.packs) > 1 and not bank.left_out:
        drawings.append(Energy.of(bank.packs, known.span))
    return Section(f"bank/{bank.name}", tuple(findings_of_bank(bank, known)), tuple(drawings))


def _of_pack(pack: PackSeason, known: Known) -> Section:
    span = known.span
    drawings = (
        Spread.of(pack, span),
        Cells.of(pack, span),
        Soc.of(pack, span),
        Capacity.of(pack, span),
        Joints.of(pack, known.joint_limit_mohm()),
        Energy.of([pack], span),
    )
    return Section(f"pack/{pack.name}", tuple(findings_of_pack(pack, known)), drawings)
