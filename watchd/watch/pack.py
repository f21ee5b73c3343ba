"""Watches one pack and its cells."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from watchd.advice.advice import Cap, PackState
from watchd.advice.audit.live import PackAudit
from watchd.alarms.alarm import Alarm
from watchd.alarms.alarms import Alarms
from watchd.alarms.state import Transition
from watchd.config import Config
from watchd.estimators.cells.extremes import cell_figures
from watchd.estimators.estimator import Setting
from watchd.estimators.lineup import Lineup
from watchd.figures import About, Figures, Value
from watchd.rules.rule import Rule
from watchd.settings import pack_settings
from watchd.telemetry.parts import PackParts
from watchd.telemetry.sample import Sample
from watchd.watch import (
    LOOK_AGAIN_AT_MOST_S,
    LOOK_AGAIN_INTERVALS,
    LOOK_AGAIN_S,
    LOOK_AGAIN_SILENT_S,
    restored,
)
from watchd.watch.measured import Measured
from watchd.watch.reanchor import PackReanchor, not_watched
from watchd.watch.silence import Silence

NOT_YET = object()  # is like nothing that a sample may have


class PackWatch:
    """Watches one pack."""

    def __init__(
        self,
        setting: Setting,
        config: Config,
        rules: Iterable[Rule],
        limits_s: Mapping[str, float],
        begun_at: float,
        saved: dict[str, Any] | None,
        saved_alarms: Mapping[str, Any],
        *,
        explains: bool = False,
    ) -> None:
        name, pack, bank = setting.name, setting.pack, setting.bank
        # Saved by a pack of another size, it would tell of cells that are not there.
        fits = saved is not None and saved["cells_in_series"] == pack.cells_in_series
        known = saved if saved is not None and fits else {}
        self.name, self.pack, self.subject = name, pack, f"pack/{name}"
        self._settings = pack_settings(pack, bank)
        self.audit = PackAudit(name, pack, bank, config.profile)
        self.parts = PackParts(pack, config.telemetry, limits_s, begun_at, known.get("parts"))
        self._lineup = Lineup(setting, known.get("estimators", {}))
        # Estimators that had to begin from nothing, each with the reason.
        self.begun_anew = self._lineup.begun_anew
        self.reanchor = PackReanchor(pack)
        # Kept between samples: estimators write what has changed.
        self._computed: Figures = dict(self._settings)
        # What those of settings, temperatures and audit were last made of.
        self._seen_settings: Mapping[str, float] | None = None
        self._seen_degc: object = NOT_YET
        self._seen_spread_mv: Value = None
        self.figures: Figures = {}
        self._sample: Sample | None = None
        self._renewed: frozenset[str] = frozenset()
        self._told_missing: set[str] = set()
        self._at = begun_at
        # Of the last evaluation, made when first asked for.
        self._look_again_s: float | None = None
        # What `state` gave since the last evaluation; None: nobody has asked yet.
        self.told_state: PackState | None = None
        names = {"bank": pack.bank, "pack": name}
        every = tuple(rules)
        self._alarms = Alarms(
            restored(rule, self.subject, names, saved_alarms, explains=explains)
            for rule in every
            if rule.about is About.PACK
        )
        of_cells = [rule for rule in every if rule.about is About.CELL]
        # One for each cell, or none at all where no rule is about cells.
        self._cell_alarms = [
            Alarms(
                restored(
                    rule,
                    f"cell/{name}/{no}",
                    {**names, "cell": str(no)},
                    saved_alarms,
                    explains=explains,
                )
                for rule in of_cells
            )
            for no in range(1, pack.cells_in_series + 1 if of_cells else 1)
        ]
        self._silence = Silence(self.alarms())
        self._was_blind: bool | None = None  # not known yet

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the watch goes on, but for its alarms."""
        return {
            "cells_in_series": self.pack.cells_in_series,
            "parts": self.parts.snapshot(),
            "estimators": self._lineup.snapshot(),
        }

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the pack and its cells."""
        yield from self._alarms
        for alarms in self._cell_alarms:
            yield from alarms

    def awake(self) -> Sequence[Alarm]:
        """Those of them that are not at rest."""
        own = self._alarms.awake()
        if not self._cell_alarms:
            return own
        return [*own, *(alarm for alarms in self._cell_alarms for alarm in alarms.awake())]

    def take(self, renewed: frozenset[str]) -> None:
        """What the message brought that the next evaluation is for."""
        self._renewed = renewed

    def evaluate(self, at: float) -> list[Transition]:
        """Compute the figures as of `at`, and take them through the rules."""
        sample = self.parts.sample(at, self._renewed)
        self._renewed = frozenset()
        return self._evaluate(sample)

    def news_of_missing(self, at: float) -> tuple[str, ...]:
        """What is mapped but never came, each once."""
        news = tuple(n for n in self.parts.never_came(at) if n not in self._told_missing)
        self._told_missing.update(news)
        return news

    def take_begun_anew(self) -> tuple[str, ...]:
        """What is in `begun_anew`, each once."""
        found = tuple(self.begun_anew)
        self.begun_anew.clear()
        return found

    def pause(self, at: float, resume_at: float) -> list[Transition]:
        """Nothing was watched between two times: delays stand still, and nothing went stale."""
        silence = Sample(
            at=at,
            voltage_v=None,
            current_a=None,
            soc_pct=None,
            cell_v=None,
            temperature_degc=None,
            charge_allowed=None,
            discharge_allowed=None,
            balancing=None,
            protection=None,
            settings={},
            measured_at={},
            renewed=frozenset(),
            overdue=(),
            age_s=0.0,
            quality=None,
        )
        found = self._evaluate(silence, unwatched=True)
        self.parts.resume(resume_at)
        self.reanchor.pause(resume_at)
        self._at = resume_at
        return found

    def _evaluate(self, sample: Sample, *, unwatched: bool = False) -> list[Transition]:
        self._at, self._sample = sample.at, sample
        self.told_state = self._look_again_s = None
        figures = self._compute(sample)
        if unwatched:
            figures = {n: v if n in self._settings else None for n, v in figures.items()}
            not_watched(figures)
        else:
            self.reanchor.update(sample.at, figures)
            blind = not sample.measured_at
            if blind is not self._was_blind:
                self._was_blind = blind
                self._silence.covers_what_rests(blind)
        self.figures = figures
        found = self._alarms.evaluate(sample.at, figures)
        for index, alarms in enumerate(self._cell_alarms):
            own = self._of_cell(index, sample)
            if unwatched:
                own.update(dict.fromkeys(n for n in own if n not in self._settings))
            found.extend(alarms.evaluate(sample.at, own))
        return found

    def measured(self, shown_at: float) -> Measured | None:
        """What the last evaluation saw; `shown_at` is its time as the system's clock shows it."""
        if self._sample is None:
            return None
        return Measured(self.name, shown_at, self._sample, self.figures["soc_estimate_pct"])

    def figures_of(self, subject: str) -> Figures:
        """The figures that a rule about the pack, or a cell of it, sees."""
        if subject == self.subject or self._sample is None:
            return self.figures
        return self._of_cell(int(subject.rsplit("/", 1)[1]) - 1, self._sample)

    def deviation_at_full_mv(self) -> tuple[float, ...] | None:
        """Each cell minus their mean in the last minutes in which the pack was full, in order."""
        return self._lineup.deviation_at_full_mv()

    def _of_cell(self, index: int, sample: Sample) -> Figures:
        own = cell_figures(index, sample, self.figures)
        own.update(self._lineup.of_cell(index))
        return own

    def _compute(self, sample: Sample) -> Figures:
        temperatures, settings, figures = sample.temperature_degc, sample.settings, self._computed
        figures["voltage_v"] = sample.voltage_v
        figures["current_a"] = sample.current_a
        figures["soc_pct"] = sample.soc_pct
        if temperatures != self._seen_degc:
            self._seen_degc = temperatures
            figures["temperature_min_degc"] = min(temperatures) if temperatures else None
            figures["temperature_max_degc"] = max(temperatures) if temperatures else None
        figures["charge_allowed"] = sample.charge_allowed
        figures["discharge_allowed"] = sample.discharge_allowed
        figures["balancing"] = sample.balancing
        figures["protection"] = sample.protection
        is_set = settings is not self._seen_settings
        if is_set:
            self._take_settings(settings, figures)
        self._lineup.update(sample, figures)
        spread_mv = figures["spread_at_full_mv"]
        if is_set or spread_mv != self._seen_spread_mv:
            self._seen_spread_mv = spread_mv
            self.audit.update(settings, spread_mv)
            figures.update(self.audit.figures)
        return figures

    def _take_settings(self, settings: Mapping[str, float], figures: Figures) -> None:
        self._seen_settings = settings
        figures["setting_overvoltage_v"] = settings.get("overvoltage_v")
        figures["setting_overvoltage_recovery_v"] = settings.get("overvoltage_recovery_v")
        figures["setting_full_v"] = settings.get("full_v")
        figures["setting_undervoltage_v"] = settings.get("undervoltage_v")
        figures["setting_undervoltage_recovery_v"] = settings.get("undervoltage_recovery_v")
        figures["setting_balancer_from_v"] = settings.get("balancer_from_v")

    def look_again_s(self) -> float:
        """How long to wait without a message before the next look."""
        if self._look_again_s is None:
            self._look_again_s = self._usual_wait_s()
        return self._look_again_s

    def _usual_wait_s(self) -> float:
        if self.parts.is_silent(self._at):
            return LOOK_AGAIN_SILENT_S
        usual_s = self.figures.get("telemetry_rhythm_s")
        if not isinstance(usual_s, float):
            return LOOK_AGAIN_S
        return max(LOOK_AGAIN_S, min(LOOK_AGAIN_INTERVALS * usual_s, LOOK_AGAIN_AT_MOST_S))

    def next_at(self) -> float:
        """When to evaluate again if no message comes before."""
        at = self._at
        first = min(at + self.look_again_s(), self.parts.stale_at(at), self._alarms.due_at(at))
        for alarms in self._cell_alarms:
            first = min(first, alarms.due_at(at))
        return first

    @property
    def is_blind(self) -> bool:
        """Whether nothing fresh comes from it."""
        return self._sample is None or not self._sample.measured_at

    @property
    def trip_wanted(self) -> bool:
        """Whether a temporary over-voltage threshold is in place and its trip is awaited."""
        return self.reanchor.trip_wanted

    def told_of_bank(self, is_told: bool) -> bool:
        """That all packs of its bank are silent is told there, or no longer; whether it is new."""
        return self._silence.covers_what_asks(is_told)

    def caps(self) -> list[Cap]:
        """What raised rules cap the charge current of this pack at."""
        found = self._alarms.caps()
        for alarms in self._cell_alarms:
            found += alarms.caps()
        return [Cap(self.name, rule, amps) for rule, amps in found] if found else []

    def state(self) -> PackState:
        """The pack as advice sees it; the same one until the pack is evaluated again."""
        if self.told_state is None:
            has_temperature = self.parts.expects("temperature_degc", self._at)
            self.told_state = PackState(
                self.name, self.pack, self.figures, has_temperature, self.trip_wanted
            )
        return self.told_state
