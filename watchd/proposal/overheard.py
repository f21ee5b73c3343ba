"""What was overheard on the broker: the values at each address, within bounds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from pydantic_core import from_json

from watchd.proposal.address import HOLE, Address, Kind, Part, address_of_topic
from watchd.telemetry.topics import LONGEST_CAPTURE, topic_fault

MOST_TOPICS = 5000
MOST_MESSAGES = 400  # of a topic; beyond it every other one goes
MOST_VALUES = 600  # of a payload
MOST_ADDRESSES = 50_000
DEEPEST = 12
LONGEST_PAYLOAD = 65_536
LONGEST_KEY = 60
LONGEST_TOPIC = 300

Value: TypeAlias = "float | bool | str | tuple[str, ...] | None"


@dataclass(frozen=True, slots=True)
class Heard:
    """One message. `at` is Unix seconds."""

    at: float
    payload: bytes
    retained: bool


@dataclass(slots=True)
class Leaf:
    """The values at one address, in the order of time."""

    address: Address
    values: list[tuple[float, Value]] = field(default_factory=list)
    is_fresh: bool = False  # else all that came was retained

    def numbers(self) -> list[tuple[float, float]]:
        """Times and values, where all values are numbers; else nothing."""
        found = [(at, v) for at, v in self.values if _is_number(v)]
        return found if len(found) == len(self.values) else []  # type: ignore[return-value]

    @property
    def last(self) -> Value:
        """The newest value."""
        return self.values[-1][1]


class Overheard:
    """Takes messages, and keeps enough of each topic to guess from."""

    def __init__(self, prefix: str = "watchd") -> None:
        self._own = prefix.rstrip("/") + "/"
        self._every: dict[str, int] = {}
        self._seen: dict[str, int] = {}
        self.topics: dict[str, list[Heard]] = {}
        self.left_out = 0  # messages of topics beyond the bound

    def take(self, topic: str, payload: bytes, at: float, *, retained: bool = False) -> None:
        """One message. What is watchd's own, or the broker's, is passed over."""
        if topic.startswith((self._own, "$")) or not payload:
            return
        kept = self.topics.get(topic)
        if kept is None:
            if len(self.topics) >= MOST_TOPICS or not _can_be_a_source(topic):
                self.left_out += 1
                return
            kept = self.topics[topic] = []
            self._every[topic] = 1
            self._seen[topic] = 0
        self._seen[topic] += 1
        if self._seen[topic] % self._every[topic] == 0 or len(kept) < 2:
            kept.append(Heard(at, payload[:LONGEST_PAYLOAD], retained))
        if len(kept) > MOST_MESSAGES:
            del kept[1:-1:2]
            self._every[topic] *= 2

    @property
    def count(self) -> int:
        """Messages taken."""
        return sum(self._seen.values())

    def leaves(self) -> dict[Address, Leaf]:
        """Every address at which there was a value."""
        found: dict[Address, Leaf] = {}
        for topic, messages in self.topics.items():
            base = address_of_topic(topic)
            fresh = [m for m in messages if not m.retained]
            # A retained message is history, and its time is not that of what it tells.
            for message in fresh or messages:
                for address, value in _values(base, message.payload):
                    leaf = found.get(address)
                    if leaf is None:
                        if len(found) >= MOST_ADDRESSES:
                            continue
                        leaf = found[address] = Leaf(address)
                    leaf.values.append((message.at, value))
                    leaf.is_fresh = bool(fresh)
        return found


def _values(base: Address, payload: bytes) -> Iterator[tuple[Address, Value]]:
    try:
        data = from_json(payload, allow_inf_nan=False)
    except ValueError:
        try:
            yield base, payload.decode()
        except UnicodeDecodeError:
            return
        return
    for number, found in enumerate(_inside(base, data, DEEPEST)):
        if number >= MOST_VALUES:
            return
        yield found


def _inside(base: Address, data: Any, deep: int) -> Iterator[tuple[Address, Value]]:
    if isinstance(data, dict):
        if deep:
            for key, value in data.items():
                if _is_plain(key):
                    yield from _inside((*base, Part(Kind.KEY, key)), value, deep - 1)
    elif isinstance(data, list):
        if all(isinstance(item, str) for item in data):
            yield base, tuple(data)
        elif deep:
            for index, value in enumerate(data):
                yield from _inside((*base, Part(Kind.INDEX, str(index))), value, deep - 1)
    elif data is None or isinstance(data, bool | str):
        yield base, data
    elif isinstance(data, int | float) and abs(data) < 1e15:
        yield base, float(data)


def _can_be_a_source(topic: str) -> bool:
    return topic_fault(topic, LONGEST_TOPIC) is None and all(
        len(level) <= LONGEST_CAPTURE and not set(level) & set("{}+#") for level in topic.split("/")
    )


def _is_plain(key: str) -> bool:
    return 0 < len(key) <= LONGEST_KEY and key.isprintable() and HOLE not in key


def _is_number(value: Value) -> bool:
    return isinstance(value, float) and not isinstance(value, bool)
