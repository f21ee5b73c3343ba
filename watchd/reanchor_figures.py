"""The figures that re-anchoring gives to rules about a pack; `watch.reanchor` computes them."""

from __future__ import annotations

from watchd.figures import Figure, number, text, yes_no
from watchd.telemetry.names import CELL_V

NO_STEP = "none"
STEPS = (
    NO_STEP,
    "waiting_for_setting",
    "approaching",
    "tripped",
    "put_back",
    "checking",
    "ended",
)
FIGURES: tuple[Figure, ...] = (
    text("reanchor_step", "where the guided re-anchoring of the BMS is", STEPS),
    yes_no(
        "setting_temporary",
        "a temporary over-voltage threshold is or may be in place: by a guided re-anchoring, or "
        "the BMS reports another than the config has",
    ),
    number(
        "setting_temporary_h", "h", "since when setting_temporary holds; 0: no", within=(0, None)
    ),
    number(
        "temporary_overvoltage_v",
        "v",
        "the temporary over-voltage threshold per cell, as reported, said or asked for",
        within=CELL_V,
    ),
    number(
        "overvoltage_restore_v",
        "v",
        "the over-voltage threshold per cell that is to be put back",
        within=CELL_V,
    ),
)
