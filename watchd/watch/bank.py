"""Watches one bank, over the watches of its packs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from watchd.advice.advice import Advice, Cap, Kind, PackState, VoltageAdvice
from watchd.advice.audit.live import BankAudit
from watchd.advice.audit.sheet import Sheet
from watchd.advice.charge_limit import ChargeLimit
from watchd.advice.charge_voltage import ChargeVoltage
from watchd.advice.discharge_limit import DischargeLimit
from watchd.advice.hold import BalancingHold
from watchd.alarms.alarm import Alarm
from watchd.alarms.alarms import Alarms
from watchd.alarms.state import Transition
from watchd.config import Config
from watchd.estimators.bank import daylight, totals
from watchd.figures import About, Figures
from watchd.rules.rule import Rule
from watchd.settings import BANK_AUDIT, bank_settings
from watchd.watch import LOOK_AGAIN_S, restored
from watchd.watch.pack import PackWatch
from watchd.watch.silence import Silence

FIGURES = (*totals.FIGURES, *daylight.FIGURES)


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
        self.packs = packs
        # Of each pack as of the last evaluation: what advice sees, whether it is blind, how long
        # to wait for it, its settings.
        self._states: list[PackState] = []
        self._blind: list[bool] = []
        self._waits_s: list[float] = []
        self._sheets: list[Sheet] = []
        self._wait_s = LOOK_AGAIN_S
        self._settings = bank_settings(bank)
        self.audit = BankAudit(name)
        self._limit = ChargeLimit(bank, config.profile, known.get("limit"))
        self._discharge = DischargeLimit(bank, known.get("discharge"))
        self._voltage = ChargeVoltage(bank, known.get("voltage"))
        self._hold = BalancingHold(bank, known.get("hold"))
        each_ah = [p.pack.nameplate_ah for p in packs]
        self._totals = totals.Totals(each_ah)
        self.figures: Figures = self._totals.figures
        self.figures.update(self._settings)
        self.figures.update(self.audit.figures)
        whole_ah = sum(each_ah)
        self._daylight = daylight.Daylight(whole_ah, bank.charge_voltage_v, known.get("daylight"))
        self.refresh_s = bank.charge_limit.valid_for / 3
        self.valid_for_s = bank.charge_limit.valid_for
        self._suggested: tuple[tuple[Kind, Advice | VoltageAdvice], ...] = ()
        self._at = begun_at
        self._alarms = Alarms(
            restored(rule, self.subject, {"bank": name}, saved_alarms, explains=explains)
            for rule in rules
            if rule.about is About.BANK
        )
        self._silence = Silence(self._alarms)
        self._is_told: bool | None = None
        self._woken: list[str] = []

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the watch goes on, but for its alarms."""
        return {
            "limit": self._limit.snapshot(),
            "discharge": self._discharge.snapshot(),
            "voltage": self._voltage.snapshot(),
            "hold": self._hold.snapshot(),
            "daylight": self._daylight.snapshot(),
        }

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the bank."""
        return iter(self._alarms)

    def awake(self) -> Sequence[Alarm]:
        """Those of them that are not at rest."""
        return self._alarms.awake()

    @property
    def advice(self) -> dict[Kind, Advice | VoltageAdvice]:
        """What is suggested as of the last evaluation."""
        return dict(self.suggested())

    def suggested(self) -> Sequence[tuple[Kind, Advice | VoltageAdvice]]:
        """The same, in the order of `Kind`; cheaper to go through."""
        return self._suggested

    def evaluate(self, at: float) -> list[Transition]:
        """Compute figures and advice as of `at`, and take them through the rules."""
        self._at = at
        self._take_packs()
        figures = self.figures
        self._daylight.update(at, figures)
        caps = self._caps()
        self._advise(at, caps)
        found = self._alarms.evaluate(at, figures)
        # Rules see the advice, and a rule of the bank that was just raised caps it: once more.
        if found and self._caps() != caps:
            self._advise(at, self._caps())
        # An alarm at rest is not raised, nor about to be.
        is_told = bool(self._alarms.awake()) and self._silence.is_told()
        if is_told is not self._is_told:
            self._is_told = is_told
            self._woken += [p.subject for p in self.packs if p.told_of_bank(is_told)]
        return found

    def take_woken(self) -> list[str]:
        """Packs of which something else is told from now on than before: to be looked at."""
        if not self._woken:
            return []
        woken, self._woken = self._woken, []
        return woken

    def _take_packs(self) -> None:
        """Take what is new of the packs."""
        if not self._states:
            self._meet()
            return
        states, is_new, is_set_anew = self._states, False, False
        for index, pack in enumerate(self.packs):
            state = pack.told_state
            if state is None or state is not states[index]:
                is_new = True
                states[index] = pack.state()
                self._blind[index] = pack.is_blind
                self._waits_s[index] = pack.look_again_s()
                self._totals.take(index, pack.figures)
                sheet = pack.audit.sheet
                if sheet is not self._sheets[index]:
                    self._sheets[index], is_set_anew = sheet, True
        if is_new:
            self._of_all()
        if is_set_anew:
            self._audit()

    def _meet(self) -> None:
        """Take all packs for the first time."""
        for index, pack in enumerate(self.packs):
            self._states.append(pack.state())
            self._blind.append(pack.is_blind)
            self._waits_s.append(pack.look_again_s())
            self._sheets.append(pack.audit.sheet)
            self._totals.take(index, pack.figures)
        self._of_all()
        self._audit()

    def _of_all(self) -> None:
        """What all packs together come to, now that one of them is another."""
        self._wait_s = min(self._waits_s, default=LOOK_AGAIN_S)
        self._silence.covers_what_rests(False not in self._blind)

    def _audit(self) -> None:
        """The settings of a pack are others."""
        if self.audit.update(list(self._sheets)):
            self.figures.update(self.audit.figures)

    def _caps(self) -> list[Cap]:
        found = []
        for pack in self.packs:
            found += pack.caps()
        for name, amps in self._alarms.caps():
            found.append(Cap(None, name, amps))
        return found

    def _advise(self, at: float, caps: Sequence[Cap]) -> None:
        figures, states = self.figures, self._states
        left_h = figures["charging_left_h"]
        held = self._hold.update(at, states, left_h if isinstance(left_h, float) else None)
        charge = self._limit.update(at, states, caps, held)
        discharge = self._discharge.update(at, states)
        lacking = charge.because if charge.limit_a is None else None
        voltage = self._voltage.update(at, states, held, lacking)
        self._suggested = (
            (Kind.CHARGE_LIMIT, charge),
            (Kind.DISCHARGE_LIMIT, discharge),
            (Kind.CHARGE_VOLTAGE, voltage),
        )
        figures["charge_limit_a"] = charge.limit_a
        figures["limited_by"] = charge.limited_by
        figures["discharge_limit_a"] = discharge.limit_a
        figures["discharge_limited_by"] = discharge.limited_by
        figures["suggested_voltage_v"] = voltage.voltage_v

    def figures_of(self, _subject: str) -> Figures:
        """The figures that a rule about the bank sees."""
        return self.figures

    def pause(self, at: float, resume_at: float) -> list[Transition]:
        """Nothing was watched between two times: delays stand still."""
        names = (f.name for f in (*FIGURES, *BANK_AUDIT))
        unknown: Figures = dict.fromkeys(names, None)
        found = self._alarms.evaluate(at, {**unknown, **self._settings})
        self._at = resume_at
        return found

    def next_at(self) -> float:
        """When to evaluate again if no pack is evaluated before."""
        return min(self._at + self._wait_s, self._alarms.due_at(self._at))
