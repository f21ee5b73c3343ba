"""Who acts on the skerry, and how: they do what watchd advises, and nothing that it did not tell.

The crew is there all the time and does what needs no tool. The keeper comes every few weeks, with
an electrician, and shelves until then what can wait. Only an alarm that was told leads to a deed: a
fault that watchd does not find stays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from demo.season.island import Island
from demo.season.scenario import START, Kind
from demo.season.weather import DAY_S

HOUR_S = 3600.0
AWAKE_FROM_H, AWAKE_UNTIL_H = 7.0, 22.0
ACKNOWLEDGED_AFTER_S = 20 * 60.0
REANCHOR_ABSORPTION_H, LONG_ABSORPTION_H, SHORT_ABSORPTION_H = 1.5, 3.0, 0.75
SHELVED = "7 d"


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that a person does."""

    at: float
    who: str
    text: str
    requests: tuple[Mapping[str, Any], ...] = ()
    """What they ask of watchd on its request topic."""
    mends: Kind | None = None


@dataclass(frozen=True, slots=True)
class Remedy:
    """What is done about an alarm."""

    text: str
    kind: Kind
    after_h: float | None
    """By the crew, so long after it was told; None: by the keeper, at the next visit."""
    act: Callable[[Island], None]
    requests: tuple[Mapping[str, Any], ...] = ()
    done: bool = True
    """Whether the fault is gone with it."""


def _mend(kind: Kind) -> Callable[[Island], None]:
    return lambda island: island.mend(kind)


def _long_absorption(island: Island) -> None:
    island.absorb(LONG_ABSORPTION_H)


def _reanchor(island: Island) -> None:
    island.absorb(REANCHOR_ABSORPTION_H)


_REANCHOR_BEGIN = {"do": "reanchor", "pack": "tern", "step": "begin", "way": "absorption"}
_MORE_TIME = Remedy(
    "sets the charger's absorption from 45 min to 3 h: time at the top for auk's balancer.",
    Kind.LEAK,
    None,
    _long_absorption,
)
_GUIDED = Remedy(
    "begins the guided re-anchoring of tern, by absorption, and for that lets the charger hold its "
    "voltage for 1.5 h, as it asks.",
    Kind.DRIFT,
    None,
    _reanchor,
    (_REANCHOR_BEGIN,),
    done=False,
)
_CAPACITY = Remedy(
    "enters 158 Ah as tern's capacity in its BMS, and plans with that.",
    Kind.CAPACITY,
    None,
    _mend(Kind.CAPACITY),
)
_PUT_BACK = Remedy(
    "asks the electrician, who puts tern's over-voltage threshold back to 3.65 V.",
    Kind.THRESHOLD,
    20.0,
    _mend(Kind.THRESHOLD),
)
_BRIDGE = Remedy("restarts auk's bridge.", Kind.FROZEN, 1.0, _mend(Kind.FROZEN))
_LINK = Remedy(
    "finds the plug of tern's data cable out of its socket.", Kind.SILENT, 20.0, _mend(Kind.SILENT)
)
_BOX = Remedy(
    "stops the charge by hand, shuts auk's box and starts the gateway of the charger again.",
    Kind.COLD,
    0.4,
    _mend(Kind.COLD),
)
REMEDIES: Mapping[str, Remedy] = {
    "soc-stuck-below-full/pack/tern": _GUIDED,
    "soc-disagrees/pack/tern": _CAPACITY,
    "capacity-low/pack/tern": _CAPACITY,
    "joint-resistance-high/pack/auk": Remedy(
        "has auk isolated, and the electrician cleans and tightens the joints of cell 12.",
        Kind.JOINT,
        None,
        _mend(Kind.JOINT),
    ),
    "balancer-not-coping/pack/auk": _MORE_TIME,
    "cell-spread-widening/pack/auk": _MORE_TIME,
    "cell-spread-wide/pack/auk": _MORE_TIME,
    "protection-trips-repeated/pack/tern": _PUT_BACK,
    "telemetry-frozen/pack/auk": _BRIDGE,
    "telemetry-stale/pack/tern": _LINK,
    "charging-cold/pack/auk": _BOX,
}
# Each charge brings these anew until what is behind them is mended.
_COMES_DAILY = ("cell-spread-wide/pack/auk", "soc-stuck-below-full/pack/tern")
_LATCHING = ("protection-trips-repeated", "charging-cold")


class People:
    """Crew and keeper. `hear` what comes to the phone, and `act` as time goes on."""

    def __init__(self, visits_d: tuple[float, ...]) -> None:
        self._visits = [START + day * DAY_S for day in visits_d]
        self._told: dict[str, float] = {}
        """Alarms that wait for the keeper, and since when."""
        self._planned: list[tuple[float, Deed, Remedy | None]] = []
        self._doing: set[Kind] = set()
        self._handled: dict[Kind, float] = {}

    def hear(self, said: Mapping[str, Any], now: float) -> None:
        """An annunciation came."""
        alarm = said.get("alarm")
        if alarm is None:
            self._hear_of_reanchoring(said, now)
            return
        remedy = REMEDIES.get(alarm)
        requests: list[Mapping[str, Any]] = [{"do": "acknowledge", "alarm": alarm, "by": "crew"}]
        waits = remedy is not None and remedy.after_h is None and remedy.kind not in self._handled
        if waits or alarm in _COMES_DAILY:
            requests = [{"do": "shelve", "alarm": alarm, "for": SHELVED, "by": "crew"}]
        if waits:
            self._told.setdefault(alarm, now)
        # What is critical rings, at night too.
        awake = _at_once if said.get("priority") == "critical" else _awake
        self._plan(awake(now + ACKNOWLEDGED_AFTER_S), Deed(now, "crew", "", tuple(requests)), None)
        if remedy is None or remedy.kind in self._doing or remedy.kind in self._handled:
            return
        if remedy.after_h is not None:
            self._doing.add(remedy.kind)
            at = awake(now + remedy.after_h * HOUR_S)
            reset = tuple(
                {"do": "reset", "alarm": alarm, "by": "crew"}
                for alarm in REMEDIES
                if REMEDIES[alarm] is remedy and alarm.partition("/")[0] in _LATCHING
            )
            deed = Deed(at, "The crew", remedy.text, remedy.requests, remedy.kind)
            self._plan(at, deed, remedy)
            if reset:
                self._plan(_awake(at + 26 * HOUR_S), Deed(at, "crew", "", reset), None)

    def _hear_of_reanchoring(self, said: Mapping[str, Any], now: float) -> None:
        if said.get("step") in ("checking", "ended") and Kind.DRIFT in self._doing:
            self._doing.discard(Kind.DRIFT)
            text = (
                "sets the charger back to 45 min of absorption. The electrician has set the zero "
                "of tern's current sensor."
            )

            def back(island: Island) -> None:
                island.absorb(SHORT_ABSORPTION_H)
                island.mend(Kind.DRIFT)

            remedy = Remedy(text, Kind.DRIFT, 0.0, back)
            at = _awake(now + HOUR_S)
            self._plan(at, Deed(at, "The keeper", text, (), Kind.DRIFT), remedy)

    def _plan(self, at: float, deed: Deed, remedy: Remedy | None) -> None:
        self._planned.append((at, deed, remedy))
        self._planned.sort(key=lambda item: item[0])

    def act(self, island: Island) -> Iterator[Deed]:
        """What is done by now."""
        while self._planned and self._planned[0][0] <= island.now:
            at, deed, remedy = self._planned.pop(0)
            if remedy is not None:
                remedy.act(island)
                if remedy.done:
                    self._handled[remedy.kind] = island.now
                    self._doing.discard(remedy.kind)
            yield Deed(at, deed.who, deed.text, deed.requests, deed.mends)
        if self._visits and self._visits[0] <= island.now:
            self._visits.pop(0)
            yield from self._visit(island)

    def _visit(self, island: Island) -> Iterator[Deed]:
        todo = {REMEDIES[alarm].kind: REMEDIES[alarm] for alarm in self._told}
        todo = {kind: remedy for kind, remedy in todo.items() if kind not in self._handled}
        if Kind.JOINT in todo:
            # A loose joint can look like a spread: first the one, then see.
            todo.pop(Kind.LEAK, None)
        self._told.clear()
        if not todo:
            yield Deed(island.now, "The keeper", "comes over. Nothing is asked for.")
        for kind, remedy in todo.items():
            remedy.act(island)
            if remedy.done:
                self._handled[kind] = island.now
            else:
                self._doing.add(kind)
            mends = kind if remedy.done else None
            yield Deed(island.now, "The keeper", remedy.text, remedy.requests, mends)


def _at_once(at: float) -> float:
    return at


def _awake(at: float) -> float:
    """The moment itself, or the next morning."""
    day, hour = divmod((at - START) / HOUR_S, 24.0)
    if hour < AWAKE_FROM_H:
        return START + day * DAY_S + AWAKE_FROM_H * HOUR_S
    if hour >= AWAKE_UNTIL_H:
        return START + (day + 1) * DAY_S + AWAKE_FROM_H * HOUR_S
    return at
