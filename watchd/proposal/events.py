"""Protection: which of their words are clearly one of SunSpec's event names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from watchd.proposal.vocabulary import has
from watchd.telemetry.events import EVENTS


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_OVER = _words("over high hi over_ ov hoch zu_hoch haut haute alta alto surtension ueber über")
_UNDER = _words("under low lo uv unter tief basse bas bajo baja cold")
_VOLT = _words(
    "volt volts voltage cell cells overvoltage undervoltage spannung zelle tension cellule "
    "voltaje celda surtension"
)
_TEMP = _words("temp temperature temperatur température temperatura overtemperature")
_CURRENT = _words("current overcurrent strom courant corriente")
_CHARGE = _words("charge charging chg laden")
_DISCHARGE = _words("discharge discharging dsg entladen")
_WHOLE = {
    ("overvoltage",): "OVER_VOLT",
    ("undervoltage",): "UNDER_VOLT",
    ("surtension",): "OVER_VOLT",
    ("overtemperature",): "OVER_TEMP",
    ("undertemperature",): "UNDER_TEMP",
}


def event_of(words: Iterable[str]) -> str | None:
    """The event that a name means; None where that is not clear."""
    found = {w for w in words if w}
    for whole, event in _WHOLE.items():
        if found.issuperset(whole) and not has(found, _TEMP - {"overtemperature"}):
            return event
    over, under = has(found, _OVER), has(found, _UNDER)
    if over == under:
        return None
    if has(found, _TEMP):
        return "OVER_TEMP" if over else "UNDER_TEMP"
    if has(found, _CURRENT):
        charge, discharge = has(found, _CHARGE), has(found, _DISCHARGE)
        if charge == discharge or not over:
            return None
        return "OVER_CHARGE_CURRENT" if charge else "OVER_DISCHARGE_CURRENT"
    if has(found, _VOLT):
        return "OVER_VOLT" if over else "UNDER_VOLT"
    return None


def events_of(theirs: Mapping[str, Iterable[str]]) -> dict[str, str]:
    """Their words to ours, as far as clear; a SunSpec name is itself."""
    found = {}
    for word, parts in theirs.items():
        event = word if word in EVENTS else event_of(parts)
        if event is not None:
            found[word] = event
    return found
