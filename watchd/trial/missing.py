"""What is missing, a line each, with the next step."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from difflib import get_close_matches

from watchd.durations import show_duration
from watchd.trial.heard import Hearing

# Without them nothing can be suggested.
NEEDED = ("cell_v", "current_a")
MOST_NAMED = 3


def missing_of_packs(hearing: Hearing, around: Collection[str], waited_s: float) -> Iterator[str]:
    """Of each pack without a sample why not, as far as can be seen; `around`: all topics seen."""
    for pack in hearing.packs:
        if pack in hearing.samples:
            yield from _parts(hearing, pack)
        else:
            yield f"{pack}: {_why_unheard(hearing, pack, around, waited_s)}"


def _parts(hearing: Hearing, pack: str) -> Iterator[str]:
    for name in hearing.did_not_come(pack):
        if name not in NEEDED:
            continue
        cells, count = hearing.cells[pack], hearing.config.packs[pack].cells_in_series
        if name == "cell_v" and cells:
            said = f"{len(cells)} cells came, not all {count} within telemetry.parts_within"
            yield f"{pack}: cell_v: {said}; see first_cell, cells_in_series and the bridge"
        else:
            yield f"{pack}: {name} is mapped and did not come; see its path and its topic"


def _why_unheard(hearing: Hearing, pack: str, around: Collection[str], waited_s: float) -> str:
    expected = hearing.expected_topics(pack)
    if not expected:
        return "no source is for it; add one, or set in_service: no"
    refused = [(t, why) for t, why in hearing.refused if t in _of(hearing, pack, around)]
    if refused:
        topic, why = refused[0]
        return f"what came on {topic} could not be used: {why}; mend its source in the config"
    if hearing.retained[pack]:
        topic = min(hearing.retained[pack])
        return (
            f"on {topic} came only what the broker had kept (retained), which is history and no "
            "sample; see that its bridge runs, or wait longer: --patience"
        )
    nothing = f"nothing came on {_listed(expected)} within {show_duration(waited_s)}"
    others = sorted(t for t in around if not hearing.packs_of(t))
    if not others:
        return (
            f"{nothing}, nor on any topic that is not another pack's; see that its bridge runs, "
            "and that the broker's access list lets this user read"
        )
    near = _nearest(expected, others)
    if near:
        return (
            f"{nothing}; nearest that came: {_listed(near)}; see topic and pack_names of its "
            "source, or wait longer: --patience"
        )
    return f"{nothing}; others came, such as {_listed(others)}; see the topic of its source"


def _nearest(expected: list[str], others: list[str]) -> list[str]:
    found: dict[str, None] = {}
    for topic in expected:
        found.update(dict.fromkeys(get_close_matches(topic, others, n=MOST_NAMED, cutoff=0.7)))
    return list(found)[:MOST_NAMED]


def _of(hearing: Hearing, pack: str, topics: Collection[str]) -> set[str]:
    return {topic for topic in topics if pack in hearing.packs_of(topic)}


def _listed(topics: list[str]) -> str:
    rest = len(topics) - MOST_NAMED
    named = ", ".join(topics[:MOST_NAMED])
    return f"{named} and {rest} more" if rest > 0 else named
