"""The day, second by second."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random

from demo.skerry.charger import Follower
from demo.skerry.layouts import LAYOUTS, Message, charger_message, note_message
from demo.skerry.pack import Pack
from demo.skerry.station import AMBIENT_DEGC, PANELS, build_bank
from demo.skerry.story import START, Story
from demo.skerry.sun import Clouds

STEP_S = 1.0
PUBLISH_EVERY_S = 5


@dataclass(frozen=True, slots=True)
class Seen:
    """The truth of one moment, for those who look on."""

    at: float
    bus_v: float
    sun_w: float
    load_w: float
    limit_a: float | None
    packs: tuple[Pack, ...]


class Simulation:
    """A day on the skerry; the same seed gives the same day, but for the limits that it hears."""

    def __init__(self, story: Story, seed: int, start: float = START) -> None:
        self.story = story
        self.start = start
        self.now = start
        self.bank = build_bank(seed)
        self.follower = Follower()
        self._clouds = Clouds(Random(f"{seed} clouds"), start)
        self._notes = list(story.notes)
        self._steps = 0
        self.seen = Seen(start, self.bank.bus_v, 0.0, 0.0, None, self.bank.packs)

    @property
    def over(self) -> bool:
        """Whether the story has been told."""
        return self.now >= self.start + self.story.hours * 3600.0

    def step(self) -> list[Message]:
        """Let one step pass, and give what the station publishes at its end."""
        self._steps += 1
        self.now = self.start + self._steps * STEP_S
        hour = (self.now - self.start) / 3600.0
        sun_w = PANELS.clear_w(self.now) * self._clouds.share(self.now) * self.story.fog_share(hour)
        load_w = self.story.load_w(hour)
        self.follower.following = self.story.follows(hour)
        limit_a = self.follower.limit_a(self.now)
        self.bank.step(
            sun_w=sun_w,
            load_w=load_w,
            limit_a=limit_a,
            lasting_s=STEP_S,
            ambient_degc=AMBIENT_DEGC,
        )
        packs = self.bank.packs
        self.seen = Seen(self.now, self.bank.bus_v, sun_w, load_w, limit_a, packs)
        return self._publish(hour)

    def _publish(self, hour: float) -> list[Message]:
        messages: list[Message] = []
        while self._notes and self._notes[0].at_h <= hour:
            messages.append(note_message(self._notes.pop(0), self.now))
        # BMSs do not report in step with each other.
        turn = self._steps % PUBLISH_EVERY_S
        for place, pack in enumerate(self.bank.packs):
            if place == turn:
                messages.extend(LAYOUTS[pack.name](pack.read(self.now)))
        if turn == len(self.bank.packs):
            messages.append(
                charger_message(
                    self.now,
                    self.bank,
                    self.seen.load_w,
                    self.seen.limit_a,
                    follows=self.follower.following,
                )
            )
        return messages


Advice = Callable[[Simulation], float | None]
"""Gives the limit of the charge current at a moment; None gives none."""


def play(
    story: Story, seed: int, advice: Advice | None = None, every_s: int = 10
) -> Iterator[tuple[Seen, list[Message]]]:
    """The whole story as fast as it goes, with advice asked for now and then."""
    simulation = Simulation(story, seed)
    steps = 0
    while not simulation.over:
        if advice is not None and steps % every_s == 0:
            simulation.follower.hear(advice(simulation), simulation.now)
        messages = simulation.step()
        steps += 1
        yield simulation.seen, messages


def taper(simulation: Simulation) -> float:
    """A plain limit of our own: less current the nearer the highest cell comes to 3.52 V."""
    highest_v = max(max(pack.cells_v) for pack in simulation.bank.packs)
    room = (3.52 - highest_v) / (3.52 - 3.40)
    return max(2.0, simulation.bank.charger.max_current_a * min(room, 1.0))
