"""The field list: every name that a rule may use, with unit and meaning.

Gathered from the modules that compute the figures, so that the list cannot differ from them.
"""

from __future__ import annotations

from watchd.estimators import BANK_FIGURES, CELL_FIGURES, FIGURES_BEFORE_FULL, PACK_FIGURES
from watchd.figures import About, Figure, number, text
from watchd.reanchor_figures import FIGURES as REANCHOR_FIGURES
from watchd.settings import BANK_AUDIT, BANK_SETTINGS, PACK_AUDIT, PACK_SETTINGS
from watchd.telemetry.names import TELEMETRY


def _by_name(*groups: tuple[Figure, ...]) -> dict[str, Figure]:
    found: dict[str, Figure] = {}
    for group in groups:
        for figure in group:
            if figure.name in found:
                raise ValueError(f"two figures are called '{figure.name}'")
            found[figure.name] = figure
    return found


def _count(name: str, meaning: str) -> Figure:
    return number(name, "", meaning, About.SERVICE, within=(0.0, None))


SERVICE_FIGURES = (
    text(
        "rules_fault",
        "why the rules last edited do not load; 'none' if they do",
        about=About.SERVICE,
    ),
    text(
        "config_fault",
        "why the config last edited does not load; 'none' if it does",
        about=About.SERVICE,
    ),
    text("store_fault", "why the store cannot be written; 'none' if it can", about=About.SERVICE),
    text("store_damage", "what was set aside as damaged; 'none' otherwise", about=About.SERVICE),
    _count("alarms_10min", "alarms of the last 10 min that called for a person"),
    _count("alarms_24h", "alarms of the last 24 h that called for a person"),
    _count("alarms_chattering", "alarms that chatter: raised 3 times in 60 s"),
    _count("alarms_stale", "alarms that have stood for more than 24 h"),
)
_PACK = _by_name(TELEMETRY, PACK_FIGURES, REANCHOR_FIGURES, PACK_SETTINGS, PACK_AUDIT)
# A rule about cells sees its own cell beside the figures of the pack.
FIELDS: dict[About, dict[str, Figure]] = {
    About.BANK: _by_name(BANK_FIGURES, BANK_SETTINGS, BANK_AUDIT),
    About.PACK: _PACK,
    About.CELL: _by_name(CELL_FIGURES, tuple(_PACK.values())),
    About.SERVICE: _by_name(SERVICE_FIGURES),
}
# `full_when` is what the figures of `full` and those after it rest on, so it cannot use them.
FULL_WHEN: dict[str, Figure] = _by_name(TELEMETRY, FIGURES_BEFORE_FULL, PACK_SETTINGS)
# Names that a text may use beside the figures.
SUBJECT_NAMES: dict[About, tuple[str, ...]] = {
    About.BANK: ("bank",),
    About.PACK: ("bank", "pack"),
    About.CELL: ("bank", "pack", "cell"),
    About.SERVICE: (),
}
