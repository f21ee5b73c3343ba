"""Checks of the packs of one bank against each other, and of the charger against the packs.

What is usual there is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from watchd.advice.audit.check import above, v
from watchd.advice.audit.finding import Advised, Severity
from watchd.advice.audit.sheet import Sheet

FAULT, REMARK = Severity.FAULT, Severity.REMARK
OVERVOLTAGE_APART_V, UNDERVOLTAGE_APART_V = 0.02, 0.05
_SAME_A = 0.05
# What an audit rests on, and is worth nothing while it is a guess.
_WORTH_ENTERING: tuple[tuple[str, Callable[[Sheet], float]], ...] = (
    ("cell.max_v", lambda s: s.maker_max_v),
    ("cell.min_v", lambda s: s.maker_min_v),
    ("bms.overvoltage_v", lambda s: s.overvoltage_v),
    ("bms.overvoltage_recovery_v", lambda s: s.overvoltage_recovery_v),
    ("bms.undervoltage_v", lambda s: s.undervoltage_v),
    ("bms.undervoltage_recovery_v", lambda s: s.undervoltage_recovery_v),
)


@dataclass(frozen=True, slots=True)
class BankCheck:
    """One thing to look at in the sheets of a bank's packs, of which there is at least one, in the
    order of their names. `find` says what is found; None where all is well."""

    advised: Advised
    find: Callable[[Sequence[Sheet]], str | None]


def _cells_differ(sheets: Sequence[Sheet]) -> str | None:
    if len({s.cells_in_series for s in sheets}) == 1:
        return None
    each = (f"{s.name} has {s.cells_in_series} ({v(s.charge_cell_v)} a cell)" for s in sheets)
    return f"cells in series differ: {', '.join(each)}"


def _sum_a(sheets: Sequence[Sheet]) -> float:
    return sum(s.max_charge_a for s in sheets)


def _charger_above_packs(sheets: Sequence[Sheet]) -> str | None:
    most_a, packs_a = sheets[0].bank_max_charge_a, _sum_a(sheets)
    if most_a is None or most_a <= packs_a + _SAME_A:
        return None
    return f"max_charge_a of the bank is {most_a:g} A, the packs together may take {packs_a:g} A"


def _share_above_pack(sheets: Sequence[Sheet]) -> str | None:
    most_a = sheets[0].bank_max_charge_a
    if most_a is None or most_a > _sum_a(sheets) + _SAME_A:
        return None
    whole_ah = sum(s.nameplate_ah for s in sheets)
    found = []
    for s in sheets:
        share_a = most_a * s.nameplate_ah / whole_ah
        if share_a > s.max_charge_a + _SAME_A:
            found.append(f"{s.name} gets {share_a:.1f} A and may take {s.max_charge_a:g} A")
    return f"of {most_a:g} A, shared by capacity, {'; '.join(found)}" if found else None


def _largest_pack_off(sheets: Sequence[Sheet]) -> str | None:
    most_a = sheets[0].bank_max_charge_a
    largest = max(sheets, key=lambda s: s.max_charge_a)
    left_a = _sum_a(sheets) - largest.max_charge_a
    if most_a is None or len(sheets) == 1 or most_a <= left_a + _SAME_A:
        return None
    if most_a > _sum_a(sheets) + _SAME_A:
        return None
    return (
        f"when {largest.name} trips, the other packs may take {left_a:g} A, and max_charge_a of "
        f"the bank is {most_a:g} A"
    )


def _overvoltage_differs(sheets: Sequence[Sheet]) -> str | None:
    first = min(sheets, key=lambda s: s.overvoltage_v)
    last = max(sheets, key=lambda s: s.overvoltage_v)
    if not above(last.overvoltage_v, first.overvoltage_v, OVERVOLTAGE_APART_V):
        return None
    return (
        f"over-voltage is at {v(first.overvoltage_v)} in {first.name} and at "
        f"{v(last.overvoltage_v)} in {last.name}: {first.name} leaves first"
    )


def _undervoltage_differs(sheets: Sequence[Sheet]) -> str | None:
    first = max(sheets, key=lambda s: s.undervoltage_v)
    last = min(sheets, key=lambda s: s.undervoltage_v)
    if not above(first.undervoltage_v, last.undervoltage_v, UNDERVOLTAGE_APART_V):
        return None
    return (
        f"under-voltage is at {v(first.undervoltage_v)} in {first.name} and at "
        f"{v(last.undervoltage_v)} in {last.name}: {first.name} leaves first"
    )


def _no_full_setting(sheets: Sequence[Sheet]) -> str | None:
    without = [s.name for s in sheets if s.full_v is None]
    return f"full_v is not known of {', '.join(without)}" if without else None


def _settings_assumed(sheets: Sequence[Sheet]) -> str | None:
    packs: dict[tuple[str, ...], list[str]] = {}
    for s in sheets:
        assumed = tuple(
            f"{path} {v(value(s))}"
            for path, value in _WORTH_ENTERING
            if path in s.assumed and path.removeprefix("bms.") not in s.reported
        )
        if assumed:
            packs.setdefault(assumed, []).append(s.name)
    each = (f"{', '.join(what)} ({', '.join(names)})" for what, names in packs.items())
    return f"not entered, so assumed: {'; '.join(each)}" if packs else None


BANK_CHECKS: tuple[BankCheck, ...] = (
    BankCheck(
        Advised(
            "cells-in-series-differ",
            FAULT,
            why="On one bus the cells of the longer pack get less voltage, those of the shorter "
            "more: one is never full, the other is overcharged, and current flows between them.",
            usual="The same number of cells in all packs of a bank.",
            do="See whether cells_in_series is right. If it is, the packs do not belong on one "
            "bus: have a licensed person part them.",
        ),
        _cells_differ,
    ),
    BankCheck(
        Advised(
            "charger-above-packs",
            FAULT,
            why="The charger can give more than all packs together may take.",
            usual="Charger, bus and fuses at or below the sum of the packs, better below the sum "
            "without the largest.",
            do="Lower the limit of the charger, and max_charge_a of the bank with it.",
        ),
        _charger_above_packs,
    ),
    BankCheck(
        Advised(
            "share-above-pack",
            FAULT,
            why="With all packs in order one of them is charged above its limit.",
            usual="max_charge_a of each pack as the same part of its capacity.",
            do="Lower the limit of the charger, and max_charge_a of the bank with it.",
        ),
        _share_above_pack,
    ),
    BankCheck(
        Advised(
            "largest-pack-off",
            REMARK,
            why="The current of a pack that trips falls on the others at once, and may trip them "
            "in turn.",
            usual="A charger that the others can take alone, or one that follows a limit.",
            do="Let the charger follow the suggested charge limit, or set its limit lower.",
        ),
        _largest_pack_off,
    ),
    BankCheck(
        Advised(
            "overvoltage-differs",
            REMARK,
            why="The first pack to leave throws its current on the others.",
            usual="The same threshold in all packs with the same cells.",
            do="If one was changed for a time, have it set back. Packs with other cells may differ "
            "for good reason.",
            protects=True,
        ),
        _overvoltage_differs,
    ),
    BankCheck(
        Advised(
            "undervoltage-differs",
            REMARK,
            why="The first pack to leave throws its load on the others.",
            usual="The same threshold in all packs with the same cells.",
            do="If one was changed for a time, have it set back. Packs with other cells may differ "
            "for good reason.",
            protects=True,
        ),
        _undervoltage_differs,
    ),
    BankCheck(
        Advised(
            "no-full-setting",
            REMARK,
            why="A BMS that sets its SoC to 100 % only after an over-voltage trip never does it "
            "while its cells are in balance: its count drifts.",
            usual="full_v 20 to 50 mV below the charge voltage of a cell.",
            do="Enter full_v in the config if the BMS has it. Where it has none, do not let it "
            "trip for the sake of the count: go by watchd's own SoC.",
        ),
        _no_full_setting,
    ),
    BankCheck(
        Advised(
            "settings-assumed",
            REMARK,
            why="The audit, and the advice, are only as good as what they rest on.",
            usual="Each threshold as the BMS has it, each limit as the cell maker has it.",
            do="Enter them in the config, or map them from telemetry (setting.overvoltage_v "
            "and so on).",
        ),
        _settings_assumed,
    ),
)
