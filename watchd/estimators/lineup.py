"""The estimators of one pack in their order, and what becomes of one that raises."""

from __future__ import annotations

from typing import Any

from watchd.estimators import BEFORE_FULL, CELL_ESTIMATORS, ESTIMATORS
from watchd.estimators.cells.at_full import AtFull
from watchd.estimators.ends import IDLE_BETWEEN, Ends
from watchd.estimators.estimator import Estimator, Setting
from watchd.figures import Figures
from watchd.telemetry.sample import Sample


class Lineup:
    """`saved` has the snapshot of each estimator, by its class."""

    def __init__(self, setting: Setting, saved: dict[str, Any]) -> None:
        self._setting, self._ends = setting, Ends(setting)
        self._estimators = [e(setting, saved.get(e.__name__)) for e in ESTIMATORS]
        # Those that had to begin from nothing, and why; whoever tells of them clears it.
        self.begun_anew: list[str] = []
        self._line_up()

    def _line_up(self) -> None:
        until_full = len(BEFORE_FULL) + 1
        self._until_full = self._estimators[:until_full]
        self._after_full = self._estimators[until_full:]
        self._between_ends = [e for e in self._after_full if not isinstance(e, IDLE_BETWEEN)]
        self._was_between = False
        self._of_cells = [e for e in self._estimators if isinstance(e, CELL_ESTIMATORS)]
        self._at_full = next(e for e in self._estimators if isinstance(e, AtFull))

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the estimators go on, by their classes."""
        return {type(e).__name__: e.snapshot() for e in self._estimators}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Take a sample through them; each reads what those before it wrote into `figures`."""
        for estimator in self._until_full:
            try:
                estimator.update(sample, figures)
            except Exception as error:  # noqa: BLE001
                self._begin_anew(estimator, error, sample, figures)
        between = self._ends.are_far(sample, figures)
        # The first sample between the ends still concerns all.
        for estimator in self._between_ends if between and self._was_between else self._after_full:
            try:
                estimator.update(sample, figures)
            except Exception as error:  # noqa: BLE001
                self._begin_anew(estimator, error, sample, figures)
        self._was_between = between

    def of_cell(self, cell: int) -> Figures:
        """What they tell of the 0-based `cell`, as of the last sample."""
        own: Figures = {}
        for estimator in self._of_cells:
            own.update(estimator.of_cell(cell))
        return own

    def deviation_at_full_mv(self) -> tuple[float, ...] | None:
        """Each cell minus their mean in the last minutes in which the pack was full, in order."""
        return self._at_full.deviation_mv()

    def _begin_anew(
        self, broken: Estimator, error: Exception, sample: Sample, figures: Figures
    ) -> None:
        """Another in place of one that raised, as by a saved state of which a value is no good.

        It begins from nothing. Where it raises as well, it was not for what was saved: that goes
        up, and the one that knows the past stays.
        """
        fresh = type(broken)(self._setting)
        fresh.update(sample, figures)
        self._estimators[self._estimators.index(broken)] = fresh
        self._line_up()
        self.begun_anew.append(f"{type(broken).__name__}: {type(error).__name__}: {error}")
