"""What `watchd run --once` found, as a keeper reads it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from watchd.commands.columns import paragraph
from watchd.durations import show_duration

LABEL = 15


def trial_lines(data: dict[str, Any]) -> Iterator[str]:
    """Lines within the terminal's width, but for what names a topic."""
    yield from _about(data)
    for pack in data["packs"]:
        yield ""
        yield from _pack(pack)
    if data["look"]:
        yield ""
        for hint in data["look"]:
            yield from paragraph(f"look: {hint}.", "", "  ")
    if data["not_used"]:
        yield ""
        yield "Came, and could not be used:"
        for refused in data["not_used"]:
            yield from paragraph(f"{refused['topic']}: {refused['why']}", "  ", "    ")
    yield ""
    if data["missing"]:
        yield "Missing:"
        # Each on one line, so that it can be searched for.
        yield from (f"- {missing}" for missing in data["missing"])
    else:
        yield "Nothing is missing."


def _about(data: dict[str, Any]) -> Iterator[str]:
    broker, store = data["broker"], data["store"]
    who = f" as {broker['user']}" if broker["user"] else ""
    tls = "with TLS" if broker["tls"] else "without TLS"
    links = "no link"
    if broker["mqtt"]:
        links = f"receives over MQTT 3.1.1, publishes over MQTT {broker['mqtt']}"
    yield from paragraph(
        f"broker: {broker['host']}:{broker['port']}{who}, {tls}; {links}",
        "",
        "  ",
    )
    yield from paragraph(
        f"rules: {data['rules']['count']} from {data['rules']['folder']}", "", "  "
    )
    size = (
        "not there yet, or not for this user to see" if store["mb"] is None else f"{store['mb']} MB"
    )
    yield from paragraph(f"store: {store['path']}, {size}; not touched", "", "  ")


def _pack(pack: dict[str, Any]) -> Iterator[str]:
    if not pack["heard"]:
        yield f"{pack['pack']}: no sample"
        return
    yield f"{pack['pack']}: a sample, {show_duration(round(pack['age_s']))} old"
    for label, text in _rows(pack):
        first = "  " + label.ljust(LABEL)
        yield from paragraph(text, first, " " * len(first))
    for hint in pack["look"]:
        yield from paragraph(f"look: {hint}.", "  ", "    ")


def _rows(pack: dict[str, Any]) -> Iterator[tuple[str, str]]:
    cells, count = pack["cells"], pack["cells_in_series"]
    yield "voltage", _volts(pack["voltage_v"], 2)
    if cells is not None:
        yield "cells", f"{count} that add up to {_volts(cells['sum_v'], 2)}"
        yield "lowest", f"{_volts(cells['lowest_v'], 3)}, cell {cells['lowest_no']}"
        yield "highest", f"{_volts(cells['highest_v'], 3)}, cell {cells['highest_no']}"
    else:
        yield "cells", "unknown"
    yield "current", _current(pack["current_a"])
    yield "SoC", "unknown" if pack["soc_pct"] is None else f"{pack['soc_pct']:g} %"
    degrees = [f"{degc:g} °C" for degc in pack["temperature_degc"]]
    yield "temperatures", ", ".join(degrees) or "unknown"
    protection = pack["protection"]
    yield "protection", "unknown" if protection is None else ", ".join(protection) or "none now"
    for what in ("charge", "discharge"):
        allowed = pack[f"{what}_allowed"]
        yield what, "unknown" if allowed is None else "allowed" if allowed else "not allowed"
    if pack["balancing"] is not None:
        yield "balancing", "yes" if pack["balancing"] else "no"
    settings = [f"{n.removesuffix('_v')} {v:.3f} V" for n, v in pack["settings"].items()]
    yield "settings", ", ".join(settings) or "none reported"
    if pack["did_not_come"]:
        yield "did not come", ", ".join(pack["did_not_come"])
    if pack["retained_only"]:
        yield "only retained", f"{', '.join(pack['retained_only'])} (history, no sample)"


def _volts(volts: float | None, digits: int) -> str:
    return "unknown" if volts is None else f"{volts:.{digits}f} V"


def _current(current_a: float | None) -> str:
    if current_a is None:
        return "unknown"
    if current_a == 0:
        return "0 A, neither charge nor discharge"
    return f"{abs(current_a):g} A, {'charge' if current_a > 0 else 'discharge'}"
