"""The gate: topic and payload in, the parts of packs renewed. What is refused changes nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from watchd.config import Config
from watchd.notes import Note, Throttle
from watchd.telemetry.document import PayloadError
from watchd.telemetry.mapping import SourceMapping, names_in_banks
from watchd.telemetry.message import Message
from watchd.telemetry.parts import PackParts

MOST_TOPICS_KNOWN = 20_000
TOPICS_OF_A_PACK = 50  # one for each value of a pack of 32 cells, at most
LONGEST_TOPIC_KNOWN = 200  # characters; a longer one is looked at anew each time
MOST_UNMAPPED = 20  # words of one message that are noted
# A source that a topic belongs to, what the topic says, and our name of the pack (None: none).
Route = tuple[SourceMapping, dict[str, str], str | None]
NOTHING: tuple[()] = ()
NOTHING_NEW: frozenset[str] = frozenset()


class Gate:
    """Finds what a message is about, decodes it, and counts and notes what it refuses."""

    def __init__(self, config: Config, counts: Counter[str]) -> None:
        self._limit = config.telemetry.max_payload_bytes
        in_banks = names_in_banks(config)
        self._sources = [
            SourceMapping(i, s, config.packs, in_banks) for i, s in enumerate(config.sources)
        ]
        # Of a share of the banks, each by its name in topics.
        shared = config.share is not None
        shown = dict.fromkeys(b.topic_name or n for n, b in config.banks.items())
        self._banks = shown if shared else None
        self._most_topics = max(MOST_TOPICS_KNOWN, TOPICS_OF_A_PACK * len(config.packs))
        self._routes: dict[str, list[Route]] = {}
        self._counts = counts
        self._throttle = Throttle()
        self._notes: list[Note] = []
        self.stale_limits_s = self._stale_limits(config)

    def subscriptions(self) -> list[str]:
        """The topic filters of telemetry."""
        if self._banks is None:
            return list(dict.fromkeys(s.pattern.subscription for s in self._sources))
        return list(
            dict.fromkeys(
                s.pattern.subscription_of(bank)
                for s in self._sources
                for bank in (self._banks if "bank" in s.pattern.captures else [""])
            )
        )

    def is_of_others(self, topic: str) -> bool:
        """Whether another daemon, with which this one shares the banks, is to see to this topic.

        Where a topic is about no pack of ours, nobody here can tell whose it is.
        """
        if self._banks is None:
            return False
        routes = self._routes.get(topic)
        return not (self._routes_of(topic) if routes is None else routes)

    def is_telemetry(self, topic: str) -> bool:
        """Whether telemetry comes on this topic."""
        return any(s.pattern.match(topic) is not None for s in self._sources)

    def packs_of(self, topic: str) -> set[str]:
        """Our names of the packs that telemetry on this topic is about."""
        return {pack for _, _, pack in self._routes_of(topic) if pack is not None}

    def is_bridges(self, topic: str) -> bool:
        """Whether telemetry comes on this topic, or others of who sends it may.

        What takes commands usually shares the first level with what tells of itself.
        """
        first = topic.partition("/")[0]
        trees = {s.pattern.text.partition("/")[0] for s in self._sources}
        return first in trees or self.is_telemetry(topic)

    def take_notes(self) -> list[Note]:
        """What is to be logged since the last call."""
        notes, self._notes = self._notes, []
        return notes

    def note(self, at: float, event: str, topic: str, why: str) -> None:
        """One line for the log; the same again is kept back for a while, and counted."""
        skipped = self._throttle.let((topic[:200], why), at)
        if skipped is not None:
            fields: dict[str, Any] = {"topic": topic[:200], "reason": why}
            if skipped:
                fields["skipped"] = skipped
            self._notes.append(Note(at, event, fields, warning=True))

    def take(
        self,
        topic: str,
        payload: bytes,
        at: float,
        packs: Mapping[str, PackParts],
        *,
        retained: bool,
        step_s: float = 0.0,
    ) -> Iterable[tuple[str, frozenset[str]]]:
        """Take a message into `packs` (those in service); each pack that it renews, and what.

        Where several sources read one topic, the next is taken when the last has been looked at.
        `step_s` is what the system's clock shows minus `at`, where the clock was set meanwhile.
        """
        self._counts["messages"] += 1
        routes = self._routes.get(topic)
        if routes is None:
            routes = self._routes_of(topic)
        if len(routes) != 1:
            return self._take_each(routes, topic, payload, at, packs, retained, step_s)
        renewed = self._take(routes[0], topic, payload, at, packs, retained, step_s)
        return ((routes[0][2] or "", renewed),) if renewed else NOTHING

    def _take_each(
        self,
        routes: list[Route],
        topic: str,
        payload: bytes,
        at: float,
        packs: Mapping[str, PackParts],
        retained: bool,
        step_s: float,
    ) -> Iterator[tuple[str, frozenset[str]]]:
        if not routes:
            # A broker may hand on what was not asked for; it is no mistake of the sender's.
            self._counts["other_topic"] += 1
        for route in routes:
            renewed = self._take(route, topic, payload, at, packs, retained, step_s)
            if renewed:
                yield route[2] or "", renewed

    def _take(
        self,
        route: Route,
        topic: str,
        payload: bytes,
        at: float,
        packs: Mapping[str, PackParts],
        retained: bool,
        step_s: float,
    ) -> frozenset[str]:
        source, captures, pack = route
        parts = None if pack is None else packs.get(pack)
        try:
            if len(payload) > self._limit:
                raise PayloadError(f"larger than {self._limit} bytes")  # noqa: TRY301
            message = source.decode_of(pack, captures, payload)
        except PayloadError as error:
            self._refuse(None if retained else parts, at, topic, str(error))
            return NOTHING_NEW
        if parts is None:
            return NOTHING_NEW
        if message.unmapped:
            for word in message.unmapped[:MOST_UNMAPPED]:
                why = f"protection word '{word}' is not mapped"
                self.note(at, "unmapped word", topic, why)
        fault = parts.refusal(message, at + step_s, retained=retained)
        if fault is None:
            return parts.accept(message, at, step_s)
        return self._not_now(parts, message, at, topic, fault, retained=retained)

    def _not_now(
        self,
        parts: PackParts,
        message: Message,
        at: float,
        topic: str,
        why: str,
        *,
        retained: bool,
    ) -> frozenset[str]:
        """Take of a message what counts however old it is."""
        self._counts[why.replace(" ", "_")] += 1
        if retained:
            return parts.accept_settings(message)
        if why.startswith("time"):
            self._refuse(parts, at, topic, why)
        elif why == "historical":
            self.note(at, why, topic, "time of measurement is too old to count")
        return NOTHING_NEW

    def _refuse(self, parts: PackParts | None, at: float, topic: str, why: str) -> None:
        self._counts["bad"] += 1
        if parts is not None:
            parts.refuse()
        self.note(at, "bad payload", topic, why)

    def _routes_of(self, topic: str) -> list[Route]:
        routes: list[Route] = []
        for source in self._sources:
            captures = source.pattern.match(topic)
            if captures is None:
                continue
            pack = source.pack_of(captures)
            if self._banks is None or self._is_ours(pack, captures, self._banks):
                routes.append((source, captures, pack))
        if len(self._routes) >= self._most_topics:
            self._routes.clear()
        if len(topic) <= LONGEST_TOPIC_KNOWN:
            self._routes[topic] = routes
        return routes

    @staticmethod
    def _is_ours(pack: str | None, captures: dict[str, str], banks: Mapping[str, None]) -> bool:
        bank = captures.get("bank")
        # Of a bank of ours, a pack that is not known is a mistake, and to be told.
        return bank in banks if bank is not None else pack is not None

    def _stale_limits(self, config: Config) -> dict[str, dict[str, float]]:
        """Per pack and telemetry name: the age at which it is stale."""
        found: dict[str, dict[str, float]] = {name: {} for name in config.packs}
        for mapping, source in zip(self._sources, config.sources, strict=True):
            limit = source.stale_after or config.telemetry.stale_after
            for pack in config.packs_of_source(source):
                for name in mapping.names():
                    found[pack][name] = max(limit, found[pack].get(name, 0.0))
        return found
