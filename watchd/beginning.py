"""Where an engine begins: from nothing, or from the state of one before it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from watchd.alarms.annunciator import Annunciator
from watchd.config import Config
from watchd.config.many import is_from_file
from watchd.rules.rule import Rule
from watchd.watch.watches import Watches, build_watches

# A longer break between a saved state and the first message counts as not watched; a shorter one
# (a reload of the rules, a quick restart) goes unnoticed.
UNWATCHED_S = 30.0


@dataclass(frozen=True, slots=True)
class Beginning:
    """Times are kept time (Unix s); the system's clock shows `step_s` more.

    `unwatched_from`: nothing was watched from then until `now`; None for no such break. After a
    short break `now` is the time of the state: time goes on through all that was due in between.
    """

    now: float
    step_s: float
    since: float
    counts: Mapping[str, int]
    annunciator: Annunciator
    watches: Watches
    unwatched_from: float | None


def begin_from(
    saved: dict[str, Any],
    config: Config,
    rules: Sequence[Rule],
    stale_limits_s: Mapping[str, Mapping[str, float]],
    at: float,
    *,
    explains: bool,
    banks: Collection[str],
) -> Beginning:
    """Begin `at` what the system's clock shows. Raises what a state that is none leads to."""
    saved_at = saved.get("at", at)
    # Where the clock lags behind the saved state (a computer without a clock battery), time goes
    # on from the state.
    step_s = min(saved.get("step_s", 0.0), at - saved_at)
    now = at - step_s
    unwatched = bool(saved) and now - saved_at > UNWATCHED_S
    apart = {name: p.bank for name, p in config.packs.items() if is_from_file(name, p)}
    annunciator = Annunciator(saved.get("annunciator"), apart)
    watches = build_watches(
        config,
        rules,
        stale_limits_s,
        annunciator,
        saved_at,
        saved,
        explains=explains,
        banks=banks,
    )
    annunciator.begin(watches.alarms.values())
    counts = saved.get("counts", {})
    return Beginning(
        now=now if unwatched or not saved else min(saved_at, now),
        step_s=step_s,
        since=saved.get("since", now),
        counts={name: n for name, n in counts.items() if type(n) is int},
        annunciator=annunciator,
        watches=watches,
        unwatched_from=saved_at if unwatched else None,
    )
