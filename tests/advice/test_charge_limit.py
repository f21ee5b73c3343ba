"""The suggested charge current limit: what it rests on, and how it says so."""

from __future__ import annotations

import json

import pytest

from tests.advice.bench import (
    ALDER,
    HUT,
    PROFILE,
    ROOMY,
    START,
    advise,
    limit_a,
    seen,
    tells,
)
from watchd.advice.advice import Cap, PackState
from watchd.advice.charge_limit import ChargeLimit
from watchd.config import Bank, Pack
from watchd.figures import Value

BIRCH = Pack(bank="hut", nameplate_ah=100.0, max_charge_a=60.0)
UNLIMITED = Bank(charge_voltage_v=56.0)


@pytest.mark.parametrize(
    ("what", "bank", "packs", "amps", "limited_by"),
    [
        ("one pack", ROOMY, [seen()], 100, "pack/alder maximum"),
        ("two alike share evenly", ROOMY, [seen(), seen("birch")], 200, "pack/alder maximum"),
        ("the bank's own limit is lower", HUT, [seen(), seen("birch")], 180, "bank maximum"),
        ("no limit of the bank: the packs' sum", UNLIMITED, [seen()], 100, "bank maximum"),
        # Of 300 Ah birch is a third: its 60 A allow 180 A in all, and alder's 100 A only 150 A.
        (
            "a smaller pack",
            ROOMY,
            [seen(), seen("birch", BIRCH, current_a=10.0)],
            150,
            "pack/alder maximum",
        ),
    ],
)
def test_maxima(
    what: str, bank: Bank, packs: list[PackState], amps: float, limited_by: str
) -> None:
    advice = advise(*packs, bank=bank)
    assert (advice.limit_a, advice.limited_by) == (amps, limited_by), what


def test_a_pack_that_takes_more_than_its_share_limits_the_bank() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    greedy = [seen(current_a=75.0), seen("birch", current_a=25.0)]
    limits = [limit_a(limit.update(START + s, greedy, ())) for s in range(0, 600, 5)]
    assert limits[0] == 200  # nothing seen yet: shares go by nameplate
    assert limits[-1] == pytest.approx(100 / 0.75, abs=0.2)
    assert limits == sorted(limits, reverse=True)


def test_offsets_of_sensors_are_no_shares() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    resting = [seen(current_a=1.5), seen("birch", current_a=-0.5)]
    limits = {limit_a(limit.update(START + s, resting, ())) for s in range(0, 600, 5)}
    assert limits == {200}


def test_a_blocked_pack_leaves_its_share_to_the_others() -> None:
    advice = advise(seen(), seen("birch", charge_allowed=False), bank=ROOMY)
    assert (advice.limit_a, advice.limited_by) == (100, "pack/alder maximum")
    assert all("birch" not in part.what for part in advice.parts)
    assert [p.share for p in advice.parts if p.share is not None] == [1.0]


def test_the_cell_of_a_blocked_pack_holds_nobody_back() -> None:
    high = seen("birch", cell_max_v=3.66, charge_allowed=False, temperature_degc=-5.0)
    cap = Cap("birch", "cell-spread-wide", 1.0)
    assert advise(seen(), high, caps=(cap,), bank=ROOMY).limit_a == 100


def test_with_every_pack_blocked_there_is_nothing_to_take() -> None:
    advice = advise(seen(charge_allowed=False), seen("birch", charge_allowed=False))
    assert (advice.limit_a, advice.limited_by, advice.parts) == (0, "no pack may charge", ())
    tells(advice, "BMS")


def test_with_no_pack_in_service_there_is_nothing_to_take() -> None:
    assert (advise().limit_a, advise().limited_by) == (0, "no pack may charge")
    tells(advise(), "in service")


def test_a_bms_that_does_not_say_whether_it_allows_charge_counts_as_allowing() -> None:
    assert advise(seen(charge_allowed=None)).limit_a == 100


@pytest.mark.parametrize(
    ("degc", "amps", "because"),
    [
        (-0.1, 0, "alder is at -0.1 °C; no charge below 0 °C"),
        (0.0, 100, None),
        (45.0, 100, None),
        (45.1, 0, "alder is at 45.1 °C; no charge above 45 °C"),
    ],
)
def test_the_temperature_window(degc: float, amps: float, because: str | None) -> None:
    advice = advise(seen(temperature_degc=degc))
    assert advice.limit_a == amps
    if because is not None:
        assert advice.limited_by == "pack/alder temperature"
        assert because in advice.because


def test_one_sensor_outside_the_window_is_enough() -> None:
    advice = advise(seen(also={"temperature_min_degc": -1.0, "temperature_max_degc": 46.0}))
    cold, hot = (p for p in advice.parts if p.what == "pack/alder temperature")
    assert (cold.limit_a, hot.limit_a, advice.limit_a) == (0, 0, 0)


def test_the_taper_says_which_cell_holds_it_back() -> None:
    advice = advise(seen(cell_max_v=3.55), seen("birch"), bank=ROOMY)
    assert advice.limit_a == 10  # 5 A, half of the tail current, over half of the bus
    assert advice.limited_by == "pack/alder taper"
    tells(advice, "alder", "cell 7", "3.550 V", "3.65 V", "50%")


@pytest.mark.parametrize(
    ("what", "reported_v", "amps"),
    [
        ("not reported", None, 5.0),
        ("reported as configured", 3.65, 5.0),
        ("lowered for a time", 3.63, 3.7),  # 3 of the 8 cV from the charge voltage to its end
        ("lowered so far that the cell is at its end", 3.60, 0.0),
        ("higher than configured: the config holds", 3.80, 5.0),
    ],
)
def test_a_lower_threshold_that_the_bms_reports_counts(
    what: str, reported_v: float | None, amps: float
) -> None:
    advice = advise(seen(cell_max_v=3.55, setting_overvoltage_v=reported_v))
    assert advice.limit_a == amps, what
    tells(advice, f"{min(3.65, reported_v or 3.65):.2f} V")


@pytest.mark.parametrize(
    ("what", "cap", "amps", "limited_by", "because"),
    [
        (
            "of the bank",
            Cap(None, "charge-limit-exceeded", 40.0),
            40,
            "rule charge-limit-exceeded",
            ["charge-limit-exceeded", "40 A"],
        ),
        (
            "of a pack, or of one of its cells",
            Cap("birch", "cell-spread-wide", 20.0),
            40,
            "pack/birch rule cell-spread-wide",
            ["cell-spread-wide", "birch", "20 A", "50%"],
        ),
        (
            "above what holds anyway",
            Cap("birch", "cell-spread-wide", 500.0),
            200,
            "pack/alder maximum",
            ["alder", "100 A", "50%"],
        ),
        (
            "of a pack of another bank",
            Cap("cedar", "cell-spread-wide", 1.0),
            200,
            "pack/alder maximum",
            ["alder", "100 A", "50%"],
        ),
    ],
)
def test_caps(what: str, cap: Cap, amps: float, limited_by: str, because: list[str]) -> None:
    advice = advise(seen(), seen("birch"), caps=(cap,), bank=ROOMY)
    assert (advice.limit_a, advice.limited_by) == (amps, limited_by), what
    tells(advice, *because)


def test_the_lowest_of_several_caps_counts() -> None:
    caps = (Cap("alder", "a", 30.0), Cap("alder", "b", 12.0), Cap(None, "c", 25.0))
    advice = advise(seen(), caps=caps)
    assert (advice.limit_a, advice.limited_by) == (12, "pack/alder rule b")
    assert {p.what for p in advice.parts} >= {
        "pack/alder rule a",
        "pack/alder rule b",
        "rule c",
        "bank maximum",
        "pack/alder maximum",
    }


STALE: dict[str, Value] = {"telemetry_quality": "stale", "telemetry_overdue": "cell_v"}


@pytest.mark.parametrize(
    ("what", "pack", "because"),
    [
        ("no cell voltage", seen("birch", cell_max_v=None), ["birch", "cell voltages"]),
        ("no current", seen("birch", current_a=None), ["birch", "current"]),
        ("no temperature", seen("birch", temperature_degc=None), ["birch", "temperature"]),
        ("stale", seen("birch", cell_max_v=None, also=STALE), ["birch", "no fresh", "cell_v"]),
        (
            "stale, and blocked",
            seen("birch", cell_max_v=None, charge_allowed=False, also=STALE),
            ["birch", "no fresh", "cell_v"],
        ),
    ],
)
def test_without_fresh_telemetry_of_every_pack_there_is_none(
    what: str, pack: PackState, because: list[str]
) -> None:
    advice = advise(seen(), pack)
    assert (advice.limit_a, advice.limited_by, advice.parts) == (None, "withdrawn", ()), what
    tells(advice, *because)


def test_a_pack_without_temperature_sensors_is_not_waited_for() -> None:
    assert advise(seen(temperature_degc=None, has_temperature=False)).limit_a == 100


def test_as_plain_data_it_leaves_out_what_a_part_does_not_have() -> None:
    data = json.loads(json.dumps(advise(seen(cell_max_v=3.50)).as_data()))
    assert list(data) == ["limit_a", "limited_by", "because", "parts"]
    bank, maximum, taper = data["parts"]
    assert bank == {
        "what": "bank maximum",
        "limit_a": 180,
        "because": "the bank's own limit is 180 A",
    }
    assert list(maximum) == ["what", "limit_a", "because", "pack_limit_a", "share"]
    assert (taper["what"], taper["pack_limit_a"], taper["share"]) == ("pack/alder taper", 10, 1)


def test_alder_is_what_the_bench_says() -> None:
    # The numbers above rest on it: 16 cells, over-voltage at 3.65 V, window 0 to 45 °C.
    assert (ALDER.cells_in_series, ALDER.bms.overvoltage_v) == (16, 3.65)
    assert (ALDER.temperature.charge_min_degc, ALDER.temperature.charge_max_degc) == (0, 45)
