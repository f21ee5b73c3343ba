"""What one payload says of one pack, in our names, units and sign."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from watchd.telemetry.names import FLAGS, PROTECTION

SETTING = "setting."


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one message. `index` is the 0-based cell or the sensor's name, and of
    protection its place in the mapping.
    """

    name: str
    value: float | bool | tuple[float, ...] | tuple[str, ...]
    index: int | str | None = None


# Not frozen, as one is made of each message and a frozen one costs four times as much; nobody
# changes one.
@dataclass(slots=True)
class Message:
    """What one payload says, sorted as the parts of a pack take it.

    `stream`: messages of one come in the order of their times of measurement. `names`: all that
    it brings. A single `cell` (0-based) or `sensor` stands alone.
    """

    pack: str
    stream: str
    names: frozenset[str]
    measured_at: float | None = None
    measured: dict[str, float | tuple[float, ...]] = field(default_factory=dict)
    flags: dict[str, bool] = field(default_factory=dict)
    protection: dict[str, tuple[str, ...]] = field(default_factory=dict)  # by `protection_key`
    settings: dict[str, float] = field(default_factory=dict)  # without "setting."
    cell: tuple[int, float] | None = None
    sensor: tuple[str, float] | None = None
    unmapped: tuple[str, ...] = ()  # protection words that the mapping does not know


def protection_key(source: int, place: int) -> str:
    """What tells apart the places of protection that are gathered into one."""
    return f"{source}/{place}"


def streams_of(source: int) -> tuple[str, str]:
    """The streams of a source's documents: without a list of cells or sensors, and with one."""
    # Saved states name them so.
    return str(source), f"{source}/None"


def message_of(
    pack: str,
    source: int,
    readings: Iterable[Reading],
    measured_at: float | None,
    unmapped: Iterable[str] = (),
) -> Message:
    """The message that readings make."""
    plain, listed = streams_of(source)
    found = Message(pack, plain, frozenset(), measured_at, unmapped=tuple(unmapped))
    names = []
    for reading in readings:
        name, value, index = reading.name, reading.value, reading.index
        names.append(name)
        if name == PROTECTION and isinstance(value, tuple) and isinstance(index, int):
            found.protection[protection_key(source, index)] = tuple(str(e) for e in value)
        elif name in FLAGS and isinstance(value, bool):
            found.flags[name] = value
        elif isinstance(value, tuple):
            found.measured[name] = tuple(float(v) for v in value)
            found.stream = listed
        elif name.startswith(SETTING):
            found.settings[name.removeprefix(SETTING)] = value
        elif isinstance(index, int):
            found.cell = (index, value)
        elif isinstance(index, str):
            found.sensor = (index, value)
        else:
            found.measured[name] = value
    found.names = frozenset(names)
    return found
