"""What came over MQTT, as facts."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias

TOPICS = (
    "watchd/#",
    "skerry/log",
    "skerry/charger/state",
    "skerry/auk/state",
    "skerry/tern/protection",
    "skerry/eider/report",
)
NORMAL = "normal"


@dataclass(frozen=True, slots=True)
class Noted:
    """Something that a person on the skerry sees or does."""

    at: float
    event: str
    text: str


@dataclass(frozen=True, slots=True)
class Charging:
    """The charger's word; it brings the time as well."""

    at: float
    into_bank_a: float


@dataclass(frozen=True, slots=True)
class Protecting:
    """Whether a BMS holds a pack's charge path open because a cell is too high."""

    pack: str
    tripped: bool


@dataclass(frozen=True, slots=True)
class Annunciated:
    """What watchd wants on a phone."""

    at: float
    title: str
    message: str
    priority: str


@dataclass(frozen=True, slots=True)
class AlarmIs:
    """The state of an alarm, and since when it has been raised."""

    rule: str
    subject: str
    state: str
    since: float | None


@dataclass(frozen=True, slots=True)
class LimitIs:
    """The suggested charge current limit; None when there is no advice."""

    limit_a: float | None
    limited_by: str
    because: str


@dataclass(frozen=True, slots=True)
class FiguresAre:
    """The figures of a pack."""

    pack: str
    figures: Mapping[str, Any]


Fact: TypeAlias = Noted | Charging | Protecting | Annunciated | AlarmIs | LimitIs | FiguresAre


def fact(topic: str, payload: bytes) -> Fact | None:
    """The fact in a message, if it has one that the narrator tells."""
    whose, *rest = topic.split("/")
    try:
        document = json.loads(payload) if payload else {}
    except ValueError:
        return None  # a broker may carry more than the demo
    return _of_watchd(rest, document) if whose == "watchd" else _of_the_station(rest, document)


def told(document: Mapping[str, Any]) -> str:
    """What an annunciation says below its title, and what to do."""
    text, response = document.get("text") or "", document.get("response") or ""
    return text if response in text else f"{text}\n{response}"


def _of_watchd(rest: list[str], document: dict[str, Any]) -> Fact | None:
    match rest:
        case ["annunciation"]:
            return Annunciated(
                at=datetime.fromisoformat(document["at"]).timestamp(),
                title=document["title"],
                message=document.get("message") or told(document),
                priority=document["priority"],
            )
        case ["alarm", rule, *subject]:
            since = document.get("since")
            return AlarmIs(
                rule,
                "/".join(subject),
                document.get("state", NORMAL),
                datetime.fromisoformat(since).timestamp() if since else None,
            )
        case ["charge-limit", "skerry"]:
            return LimitIs(
                document.get("limit_a"),
                document.get("limited_by") or "",
                document.get("because") or "",
            )
        case ["figures", "pack", pack]:
            return FiguresAre(pack, document.get("figures", {}))
    return None


def _of_the_station(rest: list[str], document: dict[str, Any]) -> Fact | None:
    match rest:
        case ["log"]:
            return Noted(document["t"], document["event"], document["text"])
        case ["charger", "state"]:
            return Charging(document["t"], document["into_bank_a"])
        case ["auk", "state"]:
            return Protecting("auk", bool(document["prot"] & 1))
        case ["tern", "protection"]:
            return Protecting("tern", "cell high" in document)
        case ["eider", "report"]:
            return Protecting("eider", document["stops"]["cellHigh"])
    return None
