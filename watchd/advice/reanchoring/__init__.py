"""Guides a person who re-anchors a BMS's state of charge. Writes nothing to a BMS."""

CAUTION = (
    "This is advice only. The cell maker's limits, local code and a licensed person come first. "
    "Never leave a lowered or raised threshold unattended."
)
