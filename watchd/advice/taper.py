"""What a pack may carry by its highest or lowest cell alone, while its resistance is not known."""

from __future__ import annotations

from watchd.config import Bank, Pack, Profile


def charge_taper_a(
    volts: float, pack: Pack, bank: Bank, profile: Profile, overvoltage_v: float
) -> float:
    """What a pack may take with its highest cell at `volts`, in A.

    Its maximum up to the knee; from there straight down to the tail current at the charge
    voltage per cell, so that a pack with a leading cell still gets full; and from there straight
    down to nothing `margin_v` below the BMS's over-voltage threshold.
    """
    taper = bank.charge_limit.taper
    end_v = overvoltage_v - taper.margin_v
    begin_v = min(taper.from_v or profile.upper_knee_v, end_v - 0.02)
    tail_v = min(max(bank.charge_voltage_v / pack.cells_in_series, begin_v + 0.01), end_v - 0.01)
    most_a = pack.max_charge_a
    tail_a = min(tail_current_a(pack, bank), most_a)
    if volts <= begin_v:
        return most_a
    if volts <= tail_v:
        return most_a + (tail_a - most_a) * (volts - begin_v) / (tail_v - begin_v)
    if volts < end_v:
        return tail_a * (end_v - volts) / (end_v - tail_v)
    return 0.0


def discharge_taper_a(volts: float, most_a: float, bank: Bank, undervoltage_v: float) -> float:
    """What a pack may give with its lowest cell at `volts`: `most_a`, then straight to nothing."""
    settings = bank.discharge_limit
    end_v = undervoltage_v + settings.margin_v
    begin_v = max(settings.from_v, end_v + 0.02)
    return most_a * min(max((volts - end_v) / (begin_v - end_v), 0.0), 1.0)


def tail_current_a(pack: Pack, bank: Bank) -> float:
    """The charge current with which a charge of this pack ends, in A."""
    return bank.charge_limit.taper.tail_c_rate * pack.nameplate_ah
