"""Takes messages as the daemon would, and keeps what was understood of each pack."""

from __future__ import annotations

from collections.abc import Iterable

from watchd.config import Config
from watchd.engine import Engine
from watchd.telemetry.mapping import SourceMapping, names_in_banks
from watchd.telemetry.names import FLAGS, MEASURED, PROTECTION
from watchd.telemetry.sample import Sample

# After every pack has been heard, what is mapped has so long to come as well.
GRACE_S = 10.0
MOST_REFUSED = 100


class Hearing:
    """What came. Times are Unix seconds that only go up."""

    def __init__(self, config: Config, begun_at: float) -> None:
        self.config = config
        self.packs = [name for name, pack in config.packs.items() if pack.in_service]
        self.samples: dict[str, Sample] = {}
        self.topics: set[str] = set()
        # By pack: topics of which only retained messages came; cells that came one by one.
        self.retained: dict[str, set[str]] = {name: set() for name in self.packs}
        self.cells: dict[str, set[str]] = {name: set() for name in self.packs}
        # (topic, why) of what could not be used.
        self.refused: dict[tuple[str, str], None] = {}
        self._live: set[str] = set()
        self._came: dict[str, set[str]] = {name: set() for name in self.packs}
        self._new_at = begun_at
        in_banks = names_in_banks(config)
        self._mappings = [
            SourceMapping(i, s, config.packs, in_banks) for i, s in enumerate(config.sources)
        ]
        # No rules, and nobody takes what it says: an engine that only understands.
        self._engine = Engine(config, (), explains=False, tells_samples=True)
        self._engine.tick(begun_at)

    def subscriptions(self) -> list[str]:
        """The topic filters of telemetry."""
        return self._engine.subscriptions()

    def take(self, topic: str, payload: bytes, at: float, *, retained: bool) -> None:
        """A message that came."""
        self.topics.add(topic)
        if not retained:
            self._live.add(topic)
        for pack, captures in self._about(topic):
            if retained and topic not in self._live:
                self.retained[pack].add(topic)
            elif not retained:
                self.retained[pack].discard(topic)
                self.cells[pack].update({captures["cell"]} if "cell" in captures else ())
        self._engine.feed(topic, payload, at, retained)
        for note in self._engine.take_notes():
            if len(self.refused) < MOST_REFUSED and note.event != "mapped, but never came":
                self.refused[str(note.fields["topic"]), str(note.fields["reason"])] = None
        for measured in self._engine.take_samples():
            self._keep(measured.pack, measured.sample, at)

    def _keep(self, pack: str, sample: Sample, at: float) -> None:
        came = {f"setting.{name}" for name in sample.settings}
        if sample.measured_at:  # settings may come retained; they alone are no sample
            self.samples[pack] = sample
            came.update(sample.measured_at)
            came.update(n for n in (*FLAGS, PROTECTION) if getattr(sample, n) is not None)
        if came - self._came[pack]:
            self._came[pack] |= came
            self._new_at = at

    def _about(self, topic: str) -> Iterable[tuple[str, dict[str, str]]]:
        for mapping in self._mappings:
            captures = mapping.pattern.match(topic)
            if captures is not None:
                pack = mapping.pack_of(captures)
                if pack in self.retained:
                    yield pack, captures

    def packs_of(self, topic: str) -> set[str]:
        """The packs in service that a topic is about."""
        return {pack for pack, _ in self._about(topic)}

    def mapped(self, pack: str) -> list[str]:
        """Telemetry names that sources give for a pack, in the order of the config's names."""
        found: dict[str, None] = {}
        for mapping, source in zip(self._mappings, self.config.sources, strict=True):
            if source.pack in (None, pack):
                found.update(dict.fromkeys(sorted(mapping.names())))
        return list(found)

    def did_not_come(self, pack: str) -> list[str]:
        """What is mapped for a pack, and has not come."""
        return [name for name in self.mapped(pack) if name not in self._came[pack]]

    def expected_topics(self, pack: str) -> list[str]:
        """Where telemetry of a pack is expected, in its bridge's words."""
        found: dict[str, None] = {}
        for source in self.config.sources:
            if source.pack == pack:
                found[source.topic] = None
            elif source.pack is None:
                theirs = [t for t, ours in source.pack_names.items() if ours == pack] or [pack]
                found.update(dict.fromkeys(source.topic.replace("{pack}", t) for t in theirs))
        return list(found)

    def unheard(self) -> list[str]:
        """Packs in service of which no sample has come."""
        return [name for name in self.packs if name not in self.samples]

    def is_done(self, at: float) -> bool:
        """Whether all has come, or every pack and for a while nothing new of it."""
        if self.unheard():
            return False
        if at - self._new_at >= GRACE_S:
            return True
        return not any(n in MEASURED for p in self.packs for n in self.did_not_come(p))
