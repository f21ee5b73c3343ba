"""Three bridges, three layouts: how the packs' readings look on MQTT.

No two bridges agree, so neither do these: units, signs, names, times, and how protections are told.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeAlias

from demo.skerry.bank import Bank
from demo.skerry.bms import OVER_VOLTAGE, UNDER_VOLTAGE
from demo.skerry.pack import Reading
from demo.skerry.station import PLANS
from demo.skerry.story import Note

PREFIX = "skerry"

Json: TypeAlias = "str | int | float | bool | Sequence[Json] | Mapping[str, Json] | None"


@dataclass(frozen=True, slots=True)
class Message:
    """One message; its payload is JSON, even where it is a plain number."""

    topic: str
    value: Json

    @property
    def payload(self) -> bytes:
        """The value as it is sent."""
        return json.dumps(self.value, separators=(",", ":")).encode()


def auk(reading: Reading) -> list[Message]:
    """One document: millivolts, amperes positive in discharge, protections as bits, Unix time."""
    bits = {OVER_VOLTAGE: 0, UNDER_VOLTAGE: 1}
    protection = PLANS["auk"].protection
    return [
        Message(
            f"{PREFIX}/auk/state",
            {
                "t": reading.at,
                "total_mv": round(reading.voltage_v * 1000),
                "amps_out": -reading.current_a,
                "soc": reading.soc_pct,
                "cells_mv": [round(volts * 1000) for volts in reading.cells_v],
                "temps": list(reading.temperatures_degc),
                "prot": sum(1 << bits[name] for name in reading.protection),
                "chg": int(reading.charge_allowed),
                "dsg": int(reading.discharge_allowed),
                "bal": int(reading.balancing),
                "ov_mv": round(protection.overvoltage_v * 1000),
                "ov_back_mv": round(protection.overvoltage_recovery_v * 1000),
            },
        )
    ]


def tern(reading: Reading) -> list[Message]:
    """One plain value a topic, no time."""
    words = {OVER_VOLTAGE: "cell high", UNDER_VOLTAGE: "cell low"}
    values: dict[str, Json] = {
        "voltage": reading.voltage_v,
        "current": reading.current_a,
        "soc": reading.soc_pct,
        "charge_allowed": reading.charge_allowed,
        "discharge_allowed": reading.discharge_allowed,
        "balancing": reading.balancing,
        "protection": [words[name] for name in reading.protection],
    }
    values |= {f"temp/{no}": degc for no, degc in enumerate(reading.temperatures_degc, 1)}
    values |= {f"cell/{no}": volts for no, volts in enumerate(reading.cells_v, 1)}
    return [Message(f"{PREFIX}/tern/{name}", value) for name, value in values.items()]


def eider(reading: Reading) -> list[Message]:
    """One nested document: deci-amps, kelvin, protections as booleans, RFC 3339 time."""
    return [
        Message(
            f"{PREFIX}/eider/report",
            {
                "measured_at": datetime.fromtimestamp(reading.at, UTC).isoformat(),
                "dc": {"volts": reading.voltage_v, "deciamps": round(reading.current_a * 10)},
                "fill": {"percent": reading.soc_pct},
                "cells": [
                    {"no": no, "volts": volts} for no, volts in enumerate(reading.cells_v, 1)
                ],
                "probes": [
                    {"kelvin": round(degc + 273.15, 2)} for degc in reading.temperatures_degc
                ],
                "paths": {"in": reading.charge_allowed, "out": reading.discharge_allowed},
                "equalising": reading.balancing,
                "full_at_mv": round((PLANS["eider"].gauge.full_at_v or 0.0) * 1000),
                "stops": {
                    "cellHigh": OVER_VOLTAGE in reading.protection,
                    "cellLow": UNDER_VOLTAGE in reading.protection,
                },
            },
        )
    ]


LAYOUTS: Mapping[str, Callable[[Reading], list[Message]]] = {
    "auk": auk,
    "tern": tern,
    "eider": eider,
}


def charger_message(
    at: float, bank: Bank, load_w: float, limit_a: float | None, *, follows: bool
) -> Message:
    """What the charger tells about itself, for those who look on."""
    return Message(
        f"{PREFIX}/charger/state",
        {
            "t": at,
            "bus_v": round(bank.bus_v, 2),
            "into_bank_a": round(bank.current_a, 1),
            "load_w": round(load_w),
            "follows": follows,
            "limit_a": limit_a,
        },
    )


def note_message(note: Note, at: float) -> Message:
    """What a person on the skerry would see or do."""
    return Message(f"{PREFIX}/log", {"t": at, "event": note.event, "text": note.text})
