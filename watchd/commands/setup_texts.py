"""What `watchd setup` shows of a proposal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from watchd.commands.columns import paragraph, wrapped
from watchd.proposal.guess import Certainty
from watchd.proposal.mapped import Mapped, Proposal, ProposedLayout
from watchd.proposal.overheard import Overheard
from watchd.proposal.sources import where_of

MOST_TOPICS = 20
LONGEST_VALUE = 50
_WIDTH = max(len(str(c)) for c in Certainty)


def proposal_lines(proposal: Proposal, to_enter: Sequence[tuple[int, str]]) -> Iterator[str]:
    """The table, and what is left to a person."""
    yield (
        f"Heard {proposal.messages:,} messages on {proposal.topics:,} topics: "
        f"{_count(len(proposal.packs), 'pack')}, {_count(len(proposal.banks), 'bank')}."
    )
    for name, (_, reason) in proposal.banks.items():
        yield from wrapped(f"Bank {name}: {reason}.", "")
    for layout in proposal.layouts:
        yield ""
        yield from _layout(layout)
    unsure = [m for layout in proposal.layouts for m in layout.mapped if _is_unsure(m)]
    if unsure:
        yield ""
        names = dict.fromkeys(m.name for m in unsure)
        yield from wrapped(
            f"Not sure: {', '.join(names)}. See with `watchd run --once` whether they are right.",
            "",
        )
    for note in proposal.notes:
        yield from wrapped(f"Note: {note}.", "")
    if to_enter:
        yield ""
        yield "To be entered by you, for it cannot be seen on the broker:"
        fields: dict[str, list[int]] = {}
        for number, line in to_enter:
            fields.setdefault(line.partition(":")[0], []).append(number)
        for field, numbers in fields.items():
            lines = ", ".join(map(str, numbers))
            yield from wrapped(f"{field} (line {lines})", "  ")


def _layout(layout: ProposedLayout) -> Iterator[str]:
    for pack in layout.packs:
        theirs = f" ('{pack.theirs}')" if pack.theirs not in ("", pack.name) else ""
        yield from wrapped(f"Pack {pack.name}{theirs}: {pack.reason}; bank {pack.bank}", "")
    for mapped in layout.mapped:
        head = f"  {mapped.name:<17} {mapped.certainty:<{_WIDTH}}  "
        yield from paragraph(f"{_found(layout, mapped)}", head, " " * len(head))
        yield from paragraph(mapped.reason, " " * len(head), " " * len(head))
    for note in layout.notes:
        yield from wrapped(note, "  ")


def _found(layout: ProposedLayout, mapped: Mapped) -> str:
    where = where_of(layout.sources, mapped)
    text = where
    if mapped.scale != 1.0:
        text += f" x {mapped.scale:.10g}"
    if mapped.offset != 0.0:
        text += f" {mapped.offset:+.10g}"
    return text


def _is_unsure(mapped: Mapped) -> bool:
    return mapped.certainty is Certainty.NOT_SURE


def proposal_data(proposal: Proposal, text: str | None) -> dict[str, Any]:
    """For a program: the guesses, and the config as text (null: no pack was found)."""
    return {
        "topics": proposal.topics,
        "messages": proposal.messages,
        "banks": {
            name: {"cells_in_series": cells, "reason": reason}
            for name, (cells, reason) in proposal.banks.items()
        },
        "packs": {
            p.name: {
                "theirs": p.theirs,
                "bank": p.bank,
                "cells_in_series": p.cells_in_series,
                "certainty": str(p.certainty),
                "reason": p.reason,
            }
            for p in proposal.packs
        },
        "layouts": [
            {
                "packs": [p.name for p in layout.packs],
                "topics": list(dict.fromkeys(s.topic for s in layout.sources)),
                "mapped": [
                    {**m.as_data(), "where": where_of(layout.sources, m)} for m in layout.mapped
                ],
                "unused": [{"where": u.where, "seen": u.seen} for u in layout.unused],
                "notes": list(layout.notes),
            }
            for layout in proposal.layouts
        ],
        "notes": list(proposal.notes),
        "config": text,
    }


def nothing_found(overheard: Overheard) -> Iterator[str]:
    """What was heard, where nothing in it is a pack."""
    if not overheard.topics:
        yield "Nothing was heard: is this the broker, and does the bridge run?"
        return
    yield f"Heard {overheard.count:,} messages on {len(overheard.topics):,} topics, such as:"
    for topic, messages in sorted(overheard.topics.items())[:MOST_TOPICS]:
        shown = messages[-1].payload[: 4 * LONGEST_VALUE].decode("utf-8", "replace")
        shown = "".join(c if c.isprintable() else "?" for c in shown)[:LONGEST_VALUE]
        yield f"  {topic[:60]}  {shown}"
    yield from wrapped(
        "None of it looks like the cells of a pack: 4 to 32 numbered values of 2.0 to 3.7 V, or as "
        "many mV, whose sum is a voltage beside them. Listen for longer (--listen '5 min'), or "
        "write the config by hand: config.example.yaml shows how.",
        "",
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
