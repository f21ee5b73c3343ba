"""A hut with a pack whose BMS shows too little, and a keeper who is guided. Invented data."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from tests.rules.shipped_rules import RULES
from tests.scene import CONFIG, Scene, config_of, leading, pack
from watchd.config import Config
from watchd.rules.rule import Rule

TEMPORARY = "protection-setting-temporary"
KEY = f"{TEMPORARY}/pack/alder"
# At the charge voltage: 3.4995 V in the mean, and a leader at 3.522 V.
TOP = leading(3.498, by_mv=24)
OLD = {"ov_mv": 3650, "ovr_mv": 3550}
LOWERED = {"ov_mv": 3515, "ovr_mv": 3465}


@cache
def hut_config(**bms: float) -> Config:
    """Two packs; what a BMS is set to is reported where a document has it."""
    settings = {"full_v": 3.55, **bms}
    flow = ", ".join(f"{key}: {value}" for key, value in settings.items())
    own = f"max_charge_a: 100, max_discharge_a: 150, bms: {{{flow}}}"
    return config_of(
        CONFIG.replace("max_charge_a: 100", own).replace(
            "      setting.overvoltage_v",
            "      setting.overvoltage_recovery_v: {path: $.ovr_mv, scale: 0.001}\n"
            "      setting.full_v: {path: $.full_mv, scale: 0.001}\n      setting.overvoltage_v",
        )
    )


def at_top(soc_pct: float = 88.0, **more: Any) -> dict[str, Any]:
    """A pack at the end of its absorption."""
    return pack(cell_v=TOP, soc_pct=soc_pct, **{"current_a": 4.0, **more})


def in_use(soc_pct: float = 80.0, **more: Any) -> dict[str, Any]:
    """A pack that is discharged."""
    return pack(soc_pct=soc_pct, **{"current_a": -40.0, **more})


class Hut(Scene):
    """Both packs are watched; `ask` is the keeper, and `reports` what bridges say of settings."""

    def __init__(self, state: Any = None, config: Config | None = None, *more: Rule) -> None:
        super().__init__((RULES[TEMPORARY], *more), config or hut_config(), state)
        self.reports: dict[str, int] = {}

    def ask(self, step: str | None = None, name: str = "alder", **more: Any) -> dict[str, Any]:
        """The answer to a request about re-anchoring."""
        request = {"do": "reanchor", "pack": name, **more}
        if step is not None:
            request["step"] = step
        said = self.feed("watchd/request", request, reply_to="phone/answer", correlation=b"7")
        (answer,) = [m for m in said if m.topic == "phone/answer"]
        data: dict[str, Any] = json.loads(answer.payload)
        return data

    def begin(self, way: str = "threshold", name: str = "alder") -> dict[str, Any]:
        """Begin, having read the warning."""
        return self.ask("begin", name, way=way, yes=True)

    def alder(self, document: dict[str, Any], **time: float) -> None:
        """Alder sends this for a time; birch is charged beside it."""
        self.run(
            **{"every": 20.0, **time}, alder={**document, **self.reports}, birch=pack(current_a=8.0)
        )

    def step(self, name: str = "alder") -> str:
        """Where the retained record says that it is."""
        record = self.retained.get(f"watchd/reanchor/{name}")
        return "none" if record is None else str(record["step"])

    def told(self) -> list[str]:
        """The steps that a phone was told of."""
        found = [json.loads(m.payload) for m in self.said if m.topic == "watchd/annunciation"]
        return [said["step"] for said in found if "reanchor" in said]

    def restart(self) -> Hut:
        """The daemon is ended and started again."""
        state = json.loads(json.dumps(self.engine.snapshot()))
        again = Hut(state, self.config)
        again.seconds, again.reports = self.seconds, self.reports
        again.retained, again.said, again.transitions = self.retained, self.said, self.transitions
        again._heard(again.engine.tick(again.now))
        return again


@cache
def _state(reports: tuple[tuple[str, int], ...]) -> str:
    hut = Hut()
    hut.reports = dict(reports)
    hut.alder(in_use(70.0), minutes=5)
    hut.run(minutes=40, alder={**at_top(), **hut.reports}, birch={**at_top(80.0), **hut.reports})
    return json.dumps([hut.seconds, hut.engine.snapshot()])


def low_at_full(*more: Rule, **reports: int) -> Hut:
    """Both packs have just been full, at 88 and 80 % by their BMSs; `more` are further rules."""
    seconds, state = json.loads(_state(tuple(reports.items())))
    hut = Hut(state, None, *more)
    hut.seconds, hut.reports = seconds, dict(reports)
    hut._heard(hut.engine.tick(hut.now))
    return hut
