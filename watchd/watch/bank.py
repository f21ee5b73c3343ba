"""Watches one bank, over the watches of its packs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from watchd.advice.audit.live import BankAudit
from watchd.advice.charge_limit import Advice, Cap, ChargeLimit
from watchd.alarms.alarm import Alarm
from watchd.alarms.state import Transition
from watchd.config import Config
from watchd.estimators.bank import totals
from watchd.figures import About, Figures
from watchd.rules.rule import Rule
from watchd.settings import BANK_AUDIT, bank_settings
from watchd.watch import LOOK_AGAIN_S, restored, transitions
from watchd.watch.pack import PackWatch


class BankWatch:
    """Watches one bank, over the watches of its packs."""

    def __init__(
        self,
        name: str,
        config: Config,
        rules: Iterable[Rule],
        packs: Sequence[PackWatch],
        begun_at: float,
        saved: dict[str, Any] | None,
        saved_alarms: Mapping[str, Any],
        *,
        explains: bool = False,
    ) -> None:
        bank = config.banks[name]
        known = saved or {}
        self.name, self.subject = name, f"bank/{name}"
        self._packs = packs
        self._settings = bank_settings(bank)
        self.audit = BankAudit(name)
        self._limit = ChargeLimit(bank, config.profile, known.get("limit"))
        self.refresh_s = bank.charge_limit.valid_for / 3
        self.valid_for_s = bank.charge_limit.valid_for
        self.advice: Advice | None = None
        self.figures: Figures = {}
        self._at = begun_at
        self._alarms = [
            restored(rule, self.subject, {"bank": name}, saved_alarms, explains=explains)
            for rule in rules
            if rule.about is About.BANK
        ]

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the watch goes on, but for its alarms."""
        return {"limit": self._limit.snapshot()}

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the bank."""
        yield from self._alarms

    def evaluate(self, at: float) -> list[Transition]:
        """Compute figures and advice as of `at`, and take them through the rules."""
        self._at = at
        self.audit.update([p.audit.sheet for p in self._packs])
        self.figures = {
            **totals.bank_figures({p.name: p.figures for p in self._packs}),
            **self._settings,
            **self.audit.figures,
        }
        caps = self._caps()
        self._advise(at, caps)
        found = transitions(self._alarms, at, self.figures)
        # Rules see the advice, and a rule of the bank that was just raised caps it: once more.
        if found and self._caps() != caps:
            self._advise(at, self._caps())
        return found

    def _caps(self) -> list[Cap]:
        caps = [cap for pack in self._packs for cap in pack.caps()]
        own = ((a.rule.name, a.charge_limit_a) for a in self._alarms)
        return [*caps, *(Cap(None, name, amps) for name, amps in own if amps is not None)]

    def _advise(self, at: float, caps: Sequence[Cap]) -> None:
        self.advice = self._limit.update(at, [p.state() for p in self._packs], caps)
        self.figures["charge_limit_a"] = self.advice.limit_a
        self.figures["limited_by"] = self.advice.limited_by

    def figures_of(self, _subject: str) -> Figures:
        """The figures that a rule about the bank sees."""
        return self.figures

    def pause(self, at: float, resume_at: float) -> list[Transition]:
        """Nothing was watched between two times: delays stand still."""
        names = (f.name for f in (*totals.FIGURES, *BANK_AUDIT))
        unknown: Figures = dict.fromkeys(names, None)
        found = transitions(self._alarms, at, {**unknown, **self._settings})
        self._at = resume_at
        return found

    def next_at(self) -> float:
        """When to evaluate again if no pack is evaluated before."""
        look_again_s = min((p.look_again_s() for p in self._packs), default=LOOK_AGAIN_S)
        moments = [self._at + look_again_s]
        moments.extend(due for a in self._alarms if (due := a.due_at()) and due > self._at)
        return min(moments)
