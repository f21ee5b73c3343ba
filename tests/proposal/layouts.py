"""Layouts of bridges, all invented: how a minute of packs would look on the broker."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, TypeAlias

from tests.proposal.minute import Truth, minute

Messages: TypeAlias = "list[tuple[str, Any]]"


def separately(truths: Sequence[Truth], sends: Callable[[Truth], Messages]) -> Messages:
    """Each pack sends for itself."""
    return [message for truth in truths for message in sends(truth)]


def together(truths: Sequence[Truth], sends: Callable[[Truth], Messages]) -> Messages:
    """One message has what each pack would send, by name."""
    found = [sends(truth) for truth in truths]
    topic = found[0][0][0]
    return [(topic, {"packs": {t.name: f[0][1] for t, f in zip(truths, found, strict=True)}})]


@dataclass(frozen=True, slots=True)
class Layout:
    """What each pack sends at a moment, and what watchd is to make of it."""

    sends: Callable[[Truth], Messages]
    packs: Sequence[str] = ("alder", "birch")
    cells: int = 16
    ours: Mapping[str, str] = field(default_factory=dict)  # where it is not theirs
    within_a: float = 0.06
    gathers: Callable[[Sequence[Truth], Callable[[Truth], Messages]], Messages] = separately

    def messages(self) -> Iterator[tuple[float, str, bytes]]:
        """A minute of it: time, topic, payload."""
        truths = list(minute(self.packs, self.cells))
        for begin in range(0, len(truths), len(self.packs)):
            moment = truths[begin : begin + len(self.packs)]
            for topic, value in self.gathers(moment, self.sends):
                yield moment[-1].at, topic, json.dumps(value).encode()


def nested(t: Truth) -> Messages:
    """A document of several levels, with cells in mV."""
    return [
        (
            f"hut/{t.name}/bms",
            {
                "measuredAt": datetime.fromtimestamp(t.at, UTC).isoformat(),
                "pack": {"u": round(t.voltage_v, 2), "i": round(t.current_a, 2)},
                "charge": {"soc": round(t.soc_pct)},
                "cells": {"mv": t.mv(), "balance": [False] * len(t.cell_v)},
                "sensors": {"temps": list(t.degc)},
            },
        )
    ]


def numbered_keys(t: Truth) -> Messages:
    """A flat document; cell_1 to cell_16 in an order of text, amperes out."""
    cells = {f"cell_{n}": round(v, 3) for n, v in enumerate(t.cell_v, 1)}
    return [
        (
            f"bank/{t.name}/report",
            {
                "amps_out": round(-t.current_a, 1),
                **dict(sorted(cells.items())),
                "pack_voltage": round(t.voltage_v, 2),
                "soc": round(t.soc_pct, 1),
                "temp_1": t.degc[0],
                "temp_2": t.degc[1],
                "cycles": 312,
            },
        )
    ]


def single_topics(t: Truth) -> Messages:
    """One value a topic."""
    base = f"hut/{t.name}"
    return [
        (f"{base}/voltage", round(t.voltage_v, 2)),
        (f"{base}/current", round(t.current_a, 1)),
        (f"{base}/soc", round(t.soc_pct)),
        (f"{base}/temperature", t.degc[0]),
        (f"{base}/charge_enabled", "on"),
        (f"{base}/over_voltage_alarm", False),
        *((f"{base}/cell/{n}", round(v, 3)) for n, v in enumerate(t.cell_v, 1)),
    ]


def german(t: Truth) -> Messages:
    """Cells counted from 0 in mV, discharge positive without a word of it."""
    base = f"akku/{t.name}"
    return [
        (f"{base}/spannung", round(t.voltage_v, 2)),
        (f"{base}/strom", round(-t.current_a, 1)),
        (f"{base}/ladezustand", round(t.soc_pct)),
        (f"{base}/temperatur", t.degc[0]),
        *((f"{base}/zelle{n:02d}", v) for n, v in enumerate(t.mv())),
    ]


def deci_amps(t: Truth) -> Messages:
    """Whole tenths of an ampere, which a power gives away; Unix ms."""
    return [
        (
            f"site/bms/{t.name}",
            {
                "ts": round(t.at * 1000),
                "total_mv": round(t.voltage_v * 1000),
                "current": round(t.current_a * 10),
                "power": round(t.power_w),
                "soc": round(t.soc_pct),
                "cells": [round(v, 3) for v in t.cell_v],
                "temp": t.degc[0],
            },
        )
    ]


def kelvin(t: Truth) -> Messages:
    """Kelvin, an object for each cell, and a state of charge from 0 to 1."""
    return [
        (
            f"hut/{t.name}/state",
            {
                "dc": {"volts": round(t.voltage_v, 2), "amps": round(t.current_a, 1)},
                "soc": round(t.soc_pct / 100, 3),
                "cells": [{"no": n, "volts": round(v, 3)} for n, v in enumerate(t.cell_v, 1)],
                "probes": [{"kelvin": round(d + 273.15, 2)} for d in t.degc],
                "protections": {"cellHigh": False, "cellLow": False, "tooManyMoons": False},
            },
        )
    ]


def deci_kelvin(t: Truth) -> Messages:
    """Whole tenths of kelvin, hundredths of a volt and of an ampere, tenths of a percent."""
    return [
        (
            f"hut/{t.name}/state",
            {
                "voltage": round(t.voltage_v * 100),
                "current_ca": round(t.current_a * 100),
                "soc": round(t.soc_pct * 10),
                "cell_mv": t.mv(),
                "temperature": [round((d + 273.15) * 10) for d in t.degc],
            },
        )
    ]


def french(t: Truth) -> Messages:
    """Words of the trade in French; power in a topic of its own."""
    base = f"cabane/{t.name}"
    return [
        (f"{base}/tension", round(t.voltage_v, 2)),
        (f"{base}/courant", round(t.current_a, 2)),
        (f"{base}/etat_de_charge", round(t.soc_pct)),
        (f"{base}/puissance", round(t.power_w)),
        (f"{base}/température", t.degc[0]),
        *((f"{base}/cellules/{n}", round(v, 3)) for n, v in enumerate(t.cell_v, 1)),
    ]


def spanish(t: Truth) -> Messages:
    """Words of the trade in Spanish, as a document with an object of numbered cells."""
    return [
        (
            f"cabana/{t.name}/estado",
            {
                "voltaje": round(t.voltage_v, 2),
                "corriente": round(t.current_a, 2),
                "estado_de_carga": round(t.soc_pct),
                "temperatura": t.degc[0],
                "celdas": {str(n): v for n, v in enumerate(t.mv(), 1)},
            },
        )
    ]


def one_document(t: Truth) -> Messages:
    """All packs in one document."""
    return [
        (
            "bank/all",
            {
                "volts": round(t.voltage_v, 2),
                "amps": round(t.current_a, 2),
                "soc": round(t.soc_pct),
                "cells": [round(v, 3) for v in t.cell_v],
                "temps": list(t.degc),
            },
        )
    ]


def mixed(t: Truth) -> Messages:
    """A list of cells as a payload, and plain values beside it."""
    base = f"hut/{t.name}"
    return [
        (f"{base}/cells", [round(v, 3) for v in t.cell_v]),
        (f"{base}/volts", round(t.voltage_v, 2)),
        (f"{base}/status", {"amps": round(t.current_a, 2), "soc": round(t.soc_pct)}),
        (f"{base}/probe/1", t.degc[0]),
        (f"{base}/probe/2", t.degc[1]),
    ]


def name_below(t: Truth) -> Messages:
    """What it is comes first, and then of which pack."""
    return [
        (f"plant/voltage/{t.name}", round(t.voltage_v, 2)),
        (f"plant/current/{t.name}", round(t.current_a, 2)),
        (f"plant/soc/{t.name}", round(t.soc_pct)),
        (f"plant/temp/{t.name}", t.degc[0]),
        *((f"plant/cell/{t.name}/{n}", round(v, 3)) for n, v in enumerate(t.cell_v, 1)),
    ]


def whole_house(t: Truth) -> Messages:
    """One pack among thermometers, switches, an inverter and its meters."""
    base = "home/battery"
    return [
        (f"{base}/voltage", round(t.voltage_v, 2)),
        (f"{base}/current", round(t.current_a, 1)),
        (f"{base}/soc", round(t.soc_pct)),
        (f"{base}/temp", t.degc[0]),
        *((f"{base}/cell{n}", round(v, 3)) for n, v in enumerate(t.cell_v, 1)),
        *house(t),
    ]


def house(t: Truth) -> Messages:
    """What else is on the broker; none of it is a pack."""
    wobble = t.at % 7
    return [
        *(
            (
                f"sensors/{room}",
                {
                    "temperature": 20.5 + wobble / 10,
                    "humidity": 51,
                    "battery": 97,
                    "voltage": 3010,
                    "linkquality": 120,
                },
            )
            for room in ("kitchen", "hall", "shed", "attic", "cellar")
        ),
        *((f"sensors/thermo/{n}/battery", 2.9 + n / 100) for n in range(1, 7)),
        *((f"sensors/thermo/{n}/temperature", 19.0 + n) for n in range(1, 7)),
        *((f"switches/{n}/power", 12.5 * n) for n in range(1, 9)),
        *((f"switches/{n}/state", "ON") for n in range(1, 9)),
        (
            "inverter/status",
            {
                "grid": {"voltage": 231.2, "current": 1.2, "power": 277},
                "pv": {"strings": [3150, 3120, 3144, 3090], "voltage": [310.2, 312.4]},
                "battery": {"voltage": 53.1, "current": 11.0, "soc": 60},
            },
        ),
        ("weather/now", {"t": 11.3, "wind": [3.1, 3.4, 3.3, 3.2], "pressure": 1013.2}),
        # Their sum is by chance what flows beside them, which is no voltage.
        ("garden/beds", [3.1, 3.4, 3.3, 3.2]),
        ("garden/flow", 13.0),
        ("log/last", "the kettle is on"),
        ("watchd/figures/pack/alder", {"voltage_v": 53.2, "cells": [3.3] * 16}),
    ]


def with_house(t: Truth) -> Messages:
    """Packs as documents, and the rest of the house."""
    return [*nested(t), *house(t)]


def numbers(t: Truth) -> Messages:
    """Packs by number."""
    return [(topic.replace("hut/", "bms/"), value) for topic, value in nested(t)]


LAYOUTS: dict[str, Layout] = {
    "nested document": Layout(nested),
    "numbered keys": Layout(numbered_keys),
    "a topic each": Layout(single_topics),
    "german, from 0, discharge positive": Layout(german, ("eiche", "buche")),
    "deci-amps with a power": Layout(deci_amps),
    "kelvin, part of 1": Layout(kelvin),
    "hundredths and deci-kelvin": Layout(deci_kelvin),
    "french": Layout(french, ("aulne", "bouleau")),
    "spanish": Layout(spanish, ("aliso", "abedul")),
    "one document": Layout(one_document, gathers=together),
    "mixed": Layout(mixed),
    "name below": Layout(name_below),
    "a whole house": Layout(whole_house, ("battery",)),
    "beside a house": Layout(with_house),
    "pack numbers": Layout(numbers, ("1", "2", "3"), ours={n: f"pack-{n}" for n in "123"}),
    "addresses": Layout(
        numbers, ("a4c1380f", "a4c13812"), ours={"a4c1380f": "pack-1", "a4c13812": "pack-2"}
    ),
    "a single pack": Layout(nested, ("alder",)),
    "4 cells": Layout(nested, cells=4),
    "8 cells": Layout(single_topics, cells=8),
    "15 cells": Layout(spanish, ("aliso", "abedul"), cells=15),
    "24 cells": Layout(numbered_keys, cells=24),
    "7 cells from 0": Layout(german, ("eiche", "buche"), cells=7),
}
