"""Labels of exported tables against the Battery Data Format's own list.

Source: battery_data_format.json, an extract of the package batterydf 0.1.0 (Battery Data Alliance,
LF Energy; Apache-2.0), which is too heavy to be installed for this. A file of the format is of one
test object, with a header of preferred labels and units that are fixed.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from watchd.history.tables import Resolution, headings

COLUMNS = json.loads(Path(__file__).with_name("battery_data_format.json").read_text("utf-8"))[
    "columns"
]
LABELS = {c["label"]: c for c in COLUMNS.values()}
# What the format has no label for, in its style; {} is a number.
OURS = {
    "State of Charge / %",
    "Estimated State of Charge / %",
    "Cell {} Voltage / V",
    "Charge Allowed / 1",
    "Discharge Allowed / 1",
    "Balancing / 1",
    "Protection Events",
    "Samples / 1",
    "Counted Time / s",
    "Highest Cell / 1",
    "Lowest Cell / 1",
    "Highest Cell Unix Time / s",
    "Lowest Cell Unix Time / s",
    "Highest Cell Voltage / V",
    "Lowest Cell Voltage / V",
}


@pytest.mark.parametrize("resolution", Resolution)
def test_what_it_requires_is_there_and_what_it_names_is_named_so(resolution: Resolution) -> None:
    labels = [h.label for h in headings(resolution, 16, 5)]
    assert len(labels) == len(set(labels))
    assert {c["label"] for c in COLUMNS.values() if c["required"]} <= set(labels)
    cells = {f"Cell {n} Voltage / V" for n in range(1, 17)}
    ours = (OURS - {"Cell {} Voltage / V"}) | cells
    extremes = {f"{end} {name}" for end in ("Lowest", "Highest") for name in {*LABELS, *cells}}
    for label in labels:
        assert label in LABELS or label in ours | extremes, label


@pytest.mark.parametrize("resolution", Resolution)
def test_what_it_names_is_not_named_again_in_our_words(resolution: Resolution) -> None:
    theirs = {label for label in LABELS if " / " in label}
    labels = {h.label for h in headings(resolution, 0, 5)}
    surface = {f"Surface Temperature T{n} / degC" for n in range(1, 6)}
    wanted = {"Test Time / s", "Unix Time / s", "Voltage / V", "Current / A", *surface}
    if resolution is Resolution.DAY:
        wanted |= {
            "Charging Capacity / Ah",
            "Discharging Capacity / Ah",
            "Charging Energy / Wh",
            "Discharging Energy / Wh",
        }
    assert labels & theirs == wanted


def test_units_are_written_as_the_format_writes_them() -> None:
    units = {label.partition(" / ")[2] for label in LABELS}
    for resolution in Resolution:
        for heading in headings(resolution, 2, 2):
            unit = heading.label.partition(" / ")[2]
            assert unit in units or unit in ("%", ""), heading.label
