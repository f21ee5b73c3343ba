"""What is mapped of a group of packs -> the entries of `sources` that say it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from watchd.proposal.address import HOLE, Address, Kind, Part, json_path
from watchd.proposal.mapped import Mapped, ProposedPack, ProposedSource
from watchd.proposal.packs import Group
from watchd.telemetry.jsonpath import JsonPath
from watchd.telemetry.topics import TopicPattern

USUAL_STALE_S = 60.0  # the default of telemetry.stale_after
STALE_ROUNDS = 4
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_ADDRESS = re.compile(r"(0[xX])?(?=.*\d)[0-9a-fA-F:_-]{6,}")


def own_name(theirs: str, number: int, taken: Sequence[str]) -> str:
    """Our name of a pack: theirs, where it is a name and no number or address."""
    if theirs.isdecimal() and len(theirs) <= 3:
        name = f"pack-{theirs}"
    elif not _NAME.fullmatch(theirs) or theirs.isdecimal() or _ADDRESS.fullmatch(theirs):
        name = f"pack-{number}"
    else:
        name = theirs
    wanted = name
    count = 2
    while name in taken:
        name = f"{wanted[:36]}-{count}"
        count += 1
    return name


def sources_of(
    group: Group, packs: Sequence[ProposedPack], mapped: Sequence[Mapped]
) -> tuple[list[ProposedSource], list[Mapped]]:
    """The sources, and what could not be said in one."""
    found: dict[tuple[str, str | None], list[tuple[str | None, Mapped]]] = {}
    failed: list[Mapped] = []
    for one in mapped:
        for pack in packs:
            key, path = _placed(one, pack, alone=group.place is None)
            if not _is_allowed(key[0], path):
                failed.append(one)
            elif (path, one) not in found.setdefault(key, []):
                found[key].append((path, one))
    stale_after_s = _stale_after(group)
    sources = []
    for (topic, name), entries in found.items():
        names = {p.theirs: p.name for p in packs if p.theirs != p.name} if name is None else {}
        documents = tuple(e for e in entries if e[0] is not None)
        plain = [e for e in entries if e[0] is None]
        for part in ([documents] if documents else []) + [(e,) for e in plain]:
            cells = [m for path, m in part if m.capture == "cell"]
            first = int(cells[0].fill[0]) if cells else 1
            sources.append(ProposedSource(topic, name, names, part, first, stale_after_s))
    return sources, failed


def _placed(
    mapped: Mapped, pack: ProposedPack, *, alone: bool
) -> tuple[tuple[str, str | None], str | None]:
    """Topic, the pack where the topic does not name it, and the path inside the payload."""
    parts: list[Part] = []
    in_topic = False
    for place, part in enumerate(mapped.template):
        if HOLE not in part.text:
            parts.append(part)
        elif place == mapped.place:
            if part.kind is Kind.LEVEL:
                part = part.filled(f"{{{mapped.capture}}}")  # noqa: PLW2901 # the same part, said
            parts.append(part)
        elif part.kind is Kind.LEVEL:
            in_topic = True
            parts.append(part.filled("{pack}"))
        else:
            parts.append(part.filled(pack.theirs))
    topic = "/".join(p.text for p in parts if p.kind is Kind.LEVEL)
    inside: Address = tuple(p for p in parts if p.kind is not Kind.LEVEL)
    name = None if in_topic and not alone else pack.name
    return (topic, name), json_path(inside, mapped.fill) if inside else None


def _is_allowed(topic: str, path: str | None) -> bool:
    try:
        TopicPattern(topic)
        if path is not None:
            JsonPath(path)
    except ValueError:
        return False
    return True


def _stale_after(group: Group) -> float | None:
    """A few times the bridge's rhythm, where that is slower than the default allows."""
    gaps = []
    for cells in group.cells.values():
        times = [at for at, _ in cells.family.leaves[0].values]
        if len(times) > 1:
            gaps.append((times[-1] - times[0]) / (len(times) - 1))
    if not gaps or STALE_ROUNDS * max(gaps) <= USUAL_STALE_S:
        return None
    return 10.0 * (int(STALE_ROUNDS * max(gaps) / 10.0) + 1)


def where_of(sources: Sequence[ProposedSource], mapped: Mapped) -> str:
    """Topic and path of what is mapped, as the config has them."""
    for source in sources:
        for path, one in source.entries:
            if one is mapped:
                return source.topic if path is None else f"{source.topic} {path}"
    return ""
