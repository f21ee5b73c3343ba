"""watchd beside the island: messages go to the engine; what comes out, to charger and people."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeAlias

from demo.season.bank import NAMES
from demo.season.island import Island
from demo.season.people import Deed, People
from demo.season.scenario import Season
from demo.season.weather import DAY_S
from demo.show.heard import told
from demo.skerry.live import hear
from watchd import load
from watchd.engine import Engine

LIMIT_TOPIC = "watchd/charge-limit/skerry/amps"
ANNUNCIATION_TOPIC = "watchd/annunciation"
REQUEST_TOPIC = "watchd/request"


@dataclass(frozen=True, slots=True)
class Told:
    """What came to the phone; `alarm` is RULE/SUBJECT, or empty for a step of a re-anchoring."""

    at: float
    alarm: str
    priority: str
    title: str
    message: str


@dataclass(frozen=True, slots=True)
class DayOver:
    """A day as watchd saw it, pack by pack."""

    at: float
    full: Mapping[str, bool]
    spread_mv: Mapping[str, float | None]
    lowest_pct: float
    """The lowest true charge of a pack in it."""


Happening: TypeAlias = Told | DayOver | Deed


class Keeps(Protocol):
    """Takes from the engine what is to be kept."""

    def take(self, engine: Engine) -> object:
        """After each message."""

    def end(self, engine: Engine) -> object:
        """After the last."""


class Watching:
    """The season as it goes; `happenings` are what there is to tell."""

    def __init__(self, config: Path, season: Season, seed: int, keep: Keeps | None = None) -> None:
        self.island = Island(season, seed)
        kept = keep is not None
        # Nobody asks why, and the answer would cost a fifth of the time.
        self.engine = Engine(*load(config), explains=False, tells_samples=kept, tells_trends=kept)
        self.people = People(season.visits_d)
        self.refused: list[str] = []
        """Requests of the people that watchd refused."""
        self._keep = keep
        self._full_counts = dict.fromkeys(NAMES, 0)

    def happenings(self) -> Iterator[Happening]:
        """Play the season."""
        island, engine = self.island, self.engine
        next_day, lowest = island.now + DAY_S, 1.0
        while not island.over:
            sent = island.step()
            if sent is not None:
                out = engine.feed(*sent, island.now)
                if out or self._keep is not None:
                    yield from self._follow(out)
            for deed in self.people.act(island):
                if deed.text:
                    yield deed
                for request in deed.requests:
                    yield from self._ask(request)
            if island.steps % 180 == 0:
                lowest = min(lowest, *map(island.bank.charge_of, range(len(NAMES))))
            if island.now >= next_day:
                yield self._day(100.0 * lowest)
                next_day, lowest = next_day + DAY_S, 1.0
        if self._keep is not None:
            self._keep.end(self.engine)

    def _ask(self, request: Mapping[str, Any]) -> Iterator[Told]:
        topic = f"{REQUEST_TOPIC}/skerry"
        reply_to = "watchd/response/skerry"
        payload = json.dumps({**request, "reply_to": reply_to}).encode()
        out = self.engine.feed(topic, payload, self.island.now)
        for publish in out:
            if publish.topic == reply_to and not json.loads(publish.payload).get("ok"):
                self.refused.append(f"{request}: {publish.payload.decode()}")
        yield from self._follow(out)

    def _follow(self, out: list[Any]) -> Iterator[Told]:
        if self._keep is not None:
            self._keep.take(self.engine)
        else:
            self.engine.take_transitions()
        self.engine.take_advice()
        self.engine.take_steps()
        self.engine.take_notes()
        for publish in out:
            if publish.topic == LIMIT_TOPIC:
                hear(self.island.follower, publish.payload, self.island.now)
            elif publish.topic == ANNUNCIATION_TOPIC:
                said = json.loads(publish.payload)
                self.people.hear(said, self.island.now)
                yield Told(
                    self.island.now,
                    said.get("alarm", ""),
                    said["priority"],
                    said["title"],
                    said.get("message") or told(said),
                )

    def _day(self, lowest_pct: float) -> DayOver:
        figures = self.engine.figures()
        full, spread = {}, {}
        for name in NAMES:
            own = figures.get(f"pack/{name}", {})
            count = int(own.get("full_count") or 0)
            full[name] = count > self._full_counts[name]
            self._full_counts[name] = count
            spread[name] = own.get("spread_at_full_mv")
        return DayOver(self.island.now, full, spread, lowest_pct)
