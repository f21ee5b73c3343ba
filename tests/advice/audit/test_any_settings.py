"""Whatever is entered and reported, the audit has an answer, and its numbers are the sheet's."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.advice.audit import PACK_CHECKS, audit, audit_bank, audit_pack
from watchd.advice.audit.bank_checks import BANK_CHECKS
from watchd.advice.audit.finding import CAUTION, SHEET, Advised
from watchd.advice.audit.live import audit_data
from watchd.advice.audit.sheet import Sheet, make_sheet
from watchd.config import Balancer, Bank, Bms, Cell, Pack, Profile, Temperature
from watchd.telemetry.names import SETTINGS

STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=200)
CELL_V = st.floats(1.5, 4.5)
ADVISED = [*(c.advised for c in PACK_CHECKS), *(c.advised for c in BANK_CHECKS)]


@st.composite
def packs(draw: Any) -> Pack:
    def two(low: float, high: float) -> list[float]:
        both: list[float] = draw(
            st.lists(st.floats(low, high), min_size=2, max_size=2, unique=True)
        )
        return sorted(both)

    def some(section: type, **values: Any) -> Any:
        """A section of which some keys are left out, as long as their order stays."""
        return section(**values) if draw(st.booleans()) else section()

    under, under_back = two(1.5, 4.5)
    over_back, over = two(1.5, 4.5)
    least, most = two(1.5, 4.5)
    coldest, hottest = two(0, 60)
    balancer = st.builds(Balancer, current_a=st.floats(0.1, 50), from_v=CELL_V)
    return Pack(
        bank="hut",
        cells_in_series=draw(st.integers(4, 32)),
        nameplate_ah=draw(st.floats(1, 5000)),
        max_charge_a=draw(st.floats(1, 5000)),
        max_discharge_a=draw(st.none() | st.floats(1, 5000)),
        bms=some(
            Bms,
            overvoltage_v=over,
            overvoltage_recovery_v=over_back,
            undervoltage_v=under,
            undervoltage_recovery_v=under_back,
            full_v=draw(st.none() | CELL_V),
        ),
        cell=some(Cell, min_v=least, max_v=most),
        balancer=draw(st.none() | balancer),
        temperature=some(Temperature, charge_min_degc=coldest, charge_max_degc=hottest),
    )


REPORTED = st.dictionaries(st.sampled_from(SETTINGS), st.floats(0.5, 5.0))
BANKS = st.builds(
    Bank,
    charge_voltage_v=st.floats(1, 160),
    max_charge_a=st.none() | st.floats(1, 5000),
)
SPREADS = st.none() | st.integers(0, 4500).map(float)


@st.composite
def banks_of_sheets(draw: Any) -> list[Sheet]:
    bank = draw(BANKS)
    return [
        make_sheet(name, draw(packs()), bank, Profile(), draw(REPORTED), draw(SPREADS))
        for name in ("alder", "birch", "rowan")[: draw(st.integers(1, 3))]
    ]


def volts_of(sheet: Sheet) -> set[str]:
    lines = sheet.lines()
    values = [x.value for x in lines] + [x.config for x in lines]
    values += [sheet.upper_knee_v, sheet.flat_from_v]
    return {f"{value:.3f}" for value in values if value is not None}


@STEADY
@given(banks_of_sheets())
def test_the_numbers_of_a_finding_are_those_of_the_sheet(sheets: list[Sheet]) -> None:
    everywhere = set().union(*map(volts_of, sheets))
    for finding in audit_bank("hut", sheets):
        assert set(re.findall(r"(\d+\.\d{3}) V", finding.what)) <= everywhere, finding.what
    for sheet in sheets:
        for finding in audit_pack(sheet):
            own = volts_of(sheet)
            assert set(re.findall(r"(\d+\.\d{3}) V", finding.what)) <= own, finding.what
            # No margin is negative, and no text shows a number that is none.
            assert "-" not in re.sub(r"\w-\w", "", finding.what), finding.what
            assert "nan" not in finding.what


@STEADY
@given(banks_of_sheets(), st.randoms())
def test_the_order_of_the_packs_changes_nothing(sheets: list[Sheet], chance: Any) -> None:
    shuffled = list(sheets)
    chance.shuffle(shuffled)
    texts = [sorted(f"{f.subject} {f.what}" for f in audit(order)) for order in (sheets, shuffled)]
    assert texts[0] == texts[1]
    assert audit_bank("hut", sheets) == audit_bank("hut", shuffled)


@STEADY
@given(banks_of_sheets())
def test_it_is_plain_data(sheets: list[Sheet]) -> None:
    data = audit_data(sheets, audit(sheets))
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    for sheet in data["sheets"]:
        names = [line["setting"] for line in sheet["settings"]]
        assert len(names) == len(set(names)) == 20


@pytest.mark.parametrize("advised", ADVISED, ids=lambda a: a.finding)
def test_each_says_why_what_is_usual_and_what_to_do(advised: Advised) -> None:
    for text in (advised.why, advised.usual, advised.do):
        assert text.endswith(".")
        assert not text[0].islower() or text.startswith(("full_v", "max_charge_a"))
    assert re.fullmatch(r"[a-z]+(-[a-z]+)+", advised.finding)
    without = advised.response.removesuffix(CAUTION).rstrip()
    assert without.endswith(SHEET)


@pytest.mark.parametrize("advised", ADVISED, ids=lambda a: a.finding)
def test_who_asks_to_change_a_protection_setting_says_the_caution(advised: Advised) -> None:
    asks = re.search(r"\b[Hh]ave (it|recovery|under-voltage|the threshold|full_v)\b", advised.do)
    assert advised.protects == (asks is not None)
    assert (CAUTION in advised.response) == advised.protects


def test_the_caution_says_all_that_it_must() -> None:
    for words in (
        "advice only",
        "cell maker's limits",
        "local code",
        "licensed person",
        "never leave a lowered or raised threshold unattended",
    ):
        assert words in CAUTION.lower() or words in CAUTION


def test_no_two_findings_share_a_name() -> None:
    names = [advised.finding for advised in ADVISED]
    assert len(names) == len(set(names))
