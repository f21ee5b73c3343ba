"""The guided re-anchoring of one pack: procedure, records, figures, and what is new of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from watchd.advice.reanchoring.procedure import advance
from watchd.advice.reanchoring.record import (
    MOST_KEPT,
    Record,
    plain,
    saved_procedure,
    saved_record,
)
from watchd.advice.reanchoring.states import Procedure, Step, is_as_before
from watchd.advice.reanchoring.threshold import SAME_V
from watchd.advice.reanchoring.values import known
from watchd.config import Pack
from watchd.figures import Figures
from watchd.reanchor_figures import FIGURES, NO_STEP

# Trips that go on are told of so often: the second, the third, and then each fifth.
FIRST_TRIPS, EACH_TRIPS = (2, 3), 5


@dataclass(frozen=True, slots=True)
class News:
    """The procedure is in another step, or worse off in it. `told`: a person is to hear of it."""

    at: float
    procedure: Procedure
    told: bool


class PackReanchor:
    """Of one pack. `saved` is its snapshot."""

    def __init__(self, pack: Pack, saved: Mapping[str, Any] | None = None) -> None:
        before = saved or {}
        self._overvoltage_v = pack.bms.overvoltage_v
        data = before.get("procedure")
        self.procedure: Procedure | None = saved_procedure(data) if data is not None else None
        self.records = tuple(saved_record(record) for record in before.get("records", ()))
        # What the bridge last reported, where it was not what the config has.
        reported_v = known(dict(before), "reported_v")
        sound = reported_v is not None and isfinite(reported_v)
        self._reported_v = reported_v if sound else None
        self._temporary_since: float | None = before.get("temporary_since")
        self._news: list[News] = []
        # What was written last, and where.
        self._written: Figures | None = None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "procedure": plain(self.procedure) if self.procedure is not None else None,
            "records": [plain(record) for record in self.records],
            "reported_v": self._reported_v,
            "temporary_since": self._temporary_since,
        }

    @property
    def goes_on(self) -> bool:
        """Whether it is in the middle of one."""
        return self.procedure is not None and self.procedure.step is not Step.ENDED

    @property
    def trip_wanted(self) -> bool:
        """Whether a temporary threshold is in place and its trip is awaited."""
        return self.procedure is not None and self.procedure.trip_wanted

    def update(self, at: float, figures: Figures) -> None:
        """Take it along with the figures of the pack, and write `FIGURES` among them."""
        if self.procedure is not None:
            self.take(advance(self.procedure, figures, at), at)
        elif (
            # Nothing is in place, and nothing of it may be told.
            figures is self._written and self._temporary_since is None and self._reported_v is None
        ):
            reported_v = figures["setting_overvoltage_v"]
            if reported_v is None or reported_v == self._overvoltage_v:
                return
        self._write(at, figures)
        self._written = figures if self.procedure is None else None

    def take(self, procedure: Procedure, at: float) -> None:
        """It is so now: by itself, or by the keeper's word."""
        before, self.procedure = self.procedure, procedure
        if procedure.step is Step.ENDED and (before is None or before.step is not Step.ENDED):
            self.records = (*self.records, Record.of(procedure))[-MOST_KEPT:]
        if before is None or _shown(before) != _shown(procedure):
            self._news.append(News(at, procedure, _is_told(before, procedure)))

    def take_news(self) -> list[News]:
        """What is new since the last call."""
        if not self._news:
            return []
        found, self._news = self._news, []
        return found

    def pause(self, resume_at: float) -> None:
        """Nothing was watched until then: that is no silence of the pack."""
        if self.procedure is not None and self.procedure.good_at is not None:
            self.procedure = replace(self.procedure, good_at=resume_at)

    def _write(self, at: float, figures: Figures) -> None:
        reported_v = known(figures, "setting_overvoltage_v")
        if reported_v is not None:
            # Not reported any more, it stays as it was seen last.
            other = abs(reported_v - self._overvoltage_v) > SAME_V
            self._reported_v = reported_v if other else None
        procedure = self.procedure
        may_be = procedure is not None and procedure.may_be_in_place
        if procedure is not None and procedure.step is Step.WAITING:
            may_be = may_be and is_as_before(procedure, figures) is not True
        temporary = may_be or self._reported_v is not None
        if not temporary:
            self._temporary_since = None
        elif self._temporary_since is None:
            self._temporary_since = at
        since = self._temporary_since
        plan = procedure.plan if procedure is not None and may_be else None
        restore_v = plan.restore_v if plan is not None else self._overvoltage_v
        asked_v = plan.threshold_v if plan is not None else None
        said_v = procedure.set_v if procedure is not None and may_be else None
        figures["reanchor_step"] = str(procedure.step) if procedure is not None else NO_STEP
        figures["setting_temporary"] = temporary
        figures["setting_temporary_h"] = (at - since) / 3600 if since is not None else 0.0
        figures["temporary_overvoltage_v"] = self._reported_v or said_v or asked_v
        figures["overvoltage_restore_v"] = restore_v if temporary else None


def not_watched(figures: Figures) -> None:
    """Write `FIGURES` for a time in which nothing was watched."""
    figures.update(dict.fromkeys(figure.name for figure in FIGURES))


def _shown(procedure: Procedure) -> tuple[object, ...]:
    """What a person would read another text for."""
    return (
        procedure.step,
        procedure.begun_at,
        procedure.because,
        procedure.anchored_at is None,
        procedure.trips if procedure.step is Step.PUT_BACK else 0,
    )


def _is_told(before: Procedure | None, after: Procedure) -> bool:
    if before is None or (before.step, before.begun_at) != (after.step, after.begun_at):
        return True
    if before.trips != after.trips:
        return after.trips in FIRST_TRIPS or after.trips % EACH_TRIPS == 0
    return (before.because, before.anchored_at) != (after.because, after.anchored_at)
