"""All that is watched: the packs, then the banks over them, then watchd itself."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import chain
from typing import Any

from watchd.advice.audit.live import audit_data
from watchd.alarms.alarm import Alarm
from watchd.alarms.annunciator import Annunciator
from watchd.alarms.state import Transition
from watchd.config import Config
from watchd.errors import nearest
from watchd.estimators.estimator import Bus, Setting
from watchd.figures import Figures
from watchd.language.expression import compile_expression
from watchd.requests import RequestError
from watchd.rules.fields import FULL_WHEN
from watchd.rules.rule import Rule
from watchd.telemetry.parts import PackParts
from watchd.watch import Watch
from watchd.watch.bank import BankWatch
from watchd.watch.pack import PackWatch
from watchd.watch.reanchor import PackReanchor
from watchd.watch.service import ServiceWatch


class Watches:
    """All watches, and all alarms by their key.

    `all` holds them in the order in which they are evaluated when they are due together.
    """

    def __init__(
        self,
        packs: Mapping[str, PackWatch],
        banks: Mapping[str, BankWatch],
        service: ServiceWatch,
        kept: Mapping[str, Any] | None = None,
    ) -> None:
        self.packs, self.banks, self.service = packs, banks, service
        # Of packs that are out of service now: a threshold may be waiting to be put back.
        self._kept = {n: saved for n, saved in (kept or {}).items() if n not in packs}
        self.parts: dict[str, PackParts] = {n: watch.parts for n, watch in packs.items()}
        self.all: list[Watch] = [*packs.values(), *banks.values(), service]
        self.index = {watch.subject: index for index, watch in enumerate(self.all)}
        self.alarms: dict[str, Alarm] = {a.key: a for watch in self.all for a in watch.alarms()}

    def snapshot(self, each: Callable[[Any], Any]) -> dict[str, Any]:
        """Plain data from which watchd's own watch goes on; `add_bank` adds the others."""
        return {
            "packs": {},
            "reanchor": dict(self._kept),
            "banks": {},
            "service": dict(self.service.figures),
            "alarms": {alarm.key: each(alarm.snapshot()) for alarm in self.service.alarms()},
        }

    def add_bank(self, state: dict[str, Any], name: str, each: Callable[[Any], Any]) -> None:
        """Add plain data from which a bank and its packs go on; `each`: see `Engine.snapshot`."""
        bank = self.banks[name]
        for pack in bank.packs:
            state["packs"][pack.name] = each(pack.snapshot())
            state["reanchor"][pack.name] = each(pack.reanchor.snapshot())
        state["banks"][name] = each(bank.snapshot())
        for alarm in chain(*(pack.alarms() for pack in bank.packs), bank.alarms()):
            state["alarms"][alarm.key] = each(alarm.snapshot())

    def bank_of(self, subject: str) -> str | None:
        """The bank that a subject belongs to; None for watchd itself and for what is not there."""
        kind, _, rest = subject.partition("/")
        name = rest.partition("/")[0]
        if kind == "bank":
            return name if name in self.banks else None
        pack = self.packs.get(name)
        return None if pack is None else pack.pack.bank

    def subjects(self) -> list[Watch]:
        """Packs and banks, without watchd itself."""
        return self.all[:-1]

    def of(self, subject: str) -> Watch:
        """The watch that evaluates alarms about `subject`: of a cell, that of its pack."""
        kind, name = subject.split("/")[:2]
        return self.all[self.index[f"{'pack' if kind == 'cell' else kind}/{name}"]]

    def figures_of(self, subject: str) -> Figures:
        """The figures that a rule about `subject` sees, as of the last evaluation."""
        return self.of(subject).figures_of(subject)

    def audit(self, pack: str | None) -> dict[str, Any]:
        """The sheets and findings of `pack` and its bank, or of all. Raises RequestError."""
        if pack is not None and pack not in self.packs:
            hint = nearest(pack, list(self.packs))
            raise RequestError(f"no pack in service is called '{pack}'; {hint}")
        packs = [w for name, w in self.packs.items() if pack in (None, name)]
        banks = [self.banks[name] for name in dict.fromkeys(w.pack.bank for w in packs)]
        found = [finding for watch in packs for finding in watch.audit.findings]
        found += [finding for watch in banks for finding in watch.audit.findings]
        return audit_data((watch.audit.sheet for watch in packs), found)

    def pause(self, at: float, resume_at: float) -> list[Transition]:
        """Nothing was watched between two times; what time had brought until the first."""
        return [t for watch in self.all for t in watch.pause(at, resume_at)]


def build_watches(
    config: Config,
    rules: Sequence[Rule],
    stale_limits_s: Mapping[str, Mapping[str, float]],
    annunciator: Annunciator,
    saved_at: float,
    saved: Mapping[str, Any],
    *,
    explains: bool,
    banks: Collection[str],
) -> Watches:
    """The watches of these banks of a config, going on from what was `saved` at `saved_at`."""
    alarms = saved.get("alarms", {})
    reanchorings = saved.get("reanchor", {})
    buses = {name: Bus() for name in config.banks}
    members: dict[str, list[str]] = {name: [] for name in config.banks}
    for name, pack in config.packs.items():
        if pack.in_service:
            members[pack.bank].append(name)
    packs = {
        name: PackWatch(
            _setting(name, config, buses[pack.bank]),
            config,
            rules,
            stale_limits_s[name],
            saved_at,
            saved.get("packs", {}).get(name),
            alarms,
            explains=explains,
        )
        for name, pack in config.packs.items()
        if pack.in_service and pack.bank in banks
    }
    for name, watch in packs.items():
        watch.reanchor = PackReanchor(watch.pack, reanchorings.get(name))
    of_banks = {
        name: BankWatch(
            name,
            config,
            rules,
            [packs[n] for n in members[name]],
            saved_at,
            saved.get("banks", {}).get(name),
            alarms,
            explains=explains,
        )
        for name in config.banks
        if name in banks
    }
    service = ServiceWatch(rules, alarms, annunciator, explains=explains)
    service.figures.update(saved.get("service", {}))
    return Watches(packs, of_banks, service, reanchorings)


def _setting(name: str, config: Config, bus: Bus) -> Setting:
    pack = config.packs[name]
    bank = config.banks[pack.bank]
    return Setting(
        name=name,
        pack=pack,
        bank=bank,
        profile=config.profile,
        bus=bus,
        full_when=compile_expression(bank.full_when, FULL_WHEN),
        longest_gap_s=config.telemetry.stale_after,
        parts_within_s=config.telemetry.parts_within,
    )
