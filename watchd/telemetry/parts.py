"""The parts of a pack's telemetry, whatever topics they came on, and how old each may be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from watchd.config import Pack, Telemetry
from watchd.telemetry.cellset import CellCollector
from watchd.telemetry.mapping import Message, Reading
from watchd.telemetry.names import FLAGS, MEASURED, PROTECTION
from watchd.telemetry.sample import Quality, Sample

# Unix seconds in a float resolve 0.2 µs; the end of an age is met within this.
TOLERANCE_S = 0.001
# A clock before this was never set (watchd is younger): such a time of measurement is an error.
YOUNGEST_CLOCK = 1_577_836_800.0  # 2020-01-01


class PackParts:
    """Keeps the newest of each part; `accept` messages, then take a `sample`."""

    def __init__(
        self,
        pack: Pack,
        config: Telemetry,
        limits_s: Mapping[str, float],
        begun_at: float,
        state: dict[str, Any] | None = None,
    ) -> None:
        """`limits_s`: for each telemetry name that sources map, the age at which it is stale."""
        self._config = config
        self._limits_s = limits_s
        self._measured = tuple(n for n in MEASURED if n in limits_s)
        self._begun_at = begun_at
        self._values: dict[str, tuple[Any, float]] = {}
        self._sensors: dict[str, tuple[float, float]] = {}
        self._protection: dict[str, tuple[str, ...]] = {}
        self._settings: dict[str, float] = {}
        self._stream_at: dict[str, float] = {}
        self._bad = False
        collector = None
        if state is not None:
            self._begun_at = state["begun_at"]
            self._values = {
                n: (tuple(v) if isinstance(v, list) else v, t)
                for n, (v, t) in state["values"].items()
            }
            self._sensors = {n: (v, t) for n, (v, t) in state["sensors"].items()}
            self._protection = {k: tuple(v) for k, v in state["protection"].items()}
            self._settings = dict(state["settings"])
            self._stream_at = dict(state["stream_at"])
            self._bad = state["bad"]
            collector = state["cells"]
        self._cells = CellCollector(pack.cells_in_series, config.parts_within, collector)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the parts go on."""
        return {
            "begun_at": self._begun_at,
            "values": {
                n: [list(v) if isinstance(v, tuple) else v, t] for n, (v, t) in self._values.items()
            },
            "sensors": {n: list(v) for n, v in self._sensors.items()},
            "protection": {k: list(v) for k, v in self._protection.items()},
            "settings": dict(self._settings),
            "stream_at": dict(self._stream_at),
            "bad": self._bad,
            "cells": self._cells.snapshot(),
        }

    def expects(self, name: str, at: float) -> bool:
        """Whether `name` should come: it did before, or it is mapped and its time is not up.

        One topic often serves BMSs of different makes, not all of which give everything.
        """
        limit_s = self._limits_s.get(name)
        if limit_s is None:
            return False
        expected = (n for n, _ in self._expected())
        return name in expected or at - self._begun_at < limit_s

    def never_came(self, at: float) -> tuple[str, ...]:
        """What is mapped, and has not come though other measurements have."""
        return tuple(n for n in self._measured if not self.expects(n, at))

    def refuse(self) -> None:
        """Note that a message of this pack was refused: its quality is bad until a good one."""
        self._bad = True

    def refusal(self, message: Message, at: float, *, retained: bool) -> str | None:
        """Why a message must not count as telemetry of now; None where it may.

        `at` is what the system's clock shows, as are times of measurement.
        """
        if retained:
            return "retained"
        measured_at = message.measured_at
        if measured_at is None:
            return None
        if measured_at < YOUNGEST_CLOCK:
            return "time before 2020"
        latest = at + self._config.clock_tolerance
        if at < YOUNGEST_CLOCK:
            # Our own clock is not set yet, so it can judge nothing; the order can be.
            latest = float("inf")
        if measured_at > latest:
            return "time in the future"
        last = self._stream_at.get(_stream(message), 0.0)
        if last > latest:
            # The clock has been set back since. Else all would be out of order until it is there.
            last = 0.0
        if measured_at == last:
            return "duplicate"
        if measured_at < last:
            return "out of order"
        limit = min(
            (self._limits_s[r.name] for r in message.readings if r.name in self._limits_s),
            default=self._config.stale_after,
        )
        if measured_at < at - limit:
            return "historical"
        return None

    def accept_settings(self, message: Message) -> frozenset[str]:
        """Take the BMS settings of a message, retained or not, and name them.

        A setting stands until it is changed, however old the message.
        """
        found = [r for r in message.readings if r.name.startswith("setting.")]
        for reading in found:
            self._settings[reading.name.removeprefix("setting.")] = _as_number(reading)
        return frozenset(r.name for r in found)

    def accept(self, message: Message, at: float, step_s: float = 0.0) -> frozenset[str]:
        """Take a message that was not refused; the names that are new with it.

        A single cell is new only with the whole set that it completes.
        """
        self.accept_settings(message)
        measured_at = at
        if message.measured_at is not None:
            self._stream_at[_stream(message)] = message.measured_at
            measured_at = min(at, message.measured_at - step_s)
        self._bad = False
        return frozenset(self._take(message, measured_at))

    def _take(self, message: Message, at: float) -> Iterable[str]:
        for reading in message.readings:
            name, index = reading.name, reading.index
            if name == "cell_v" and isinstance(index, int):
                found = self._cells.add(index, _as_number(reading), at)
                if found is None:
                    continue
                self._values[name] = (found.cell_v, found.at)
            elif name == "temperature_degc" and isinstance(index, str):
                if index not in self._sensors and len(self._sensors) >= 32:
                    continue
                self._sensors[index] = (_as_number(reading), at)
                temperatures = tuple(v for _, (v, _) in sorted(self._sensors.items()))
                oldest = min(t for _, t in self._sensors.values())
                self._values[name] = (temperatures, oldest)
            elif name == PROTECTION:
                events = reading.value if isinstance(reading.value, tuple) else ()
                self._protection[f"{message.source}/{index}"] = tuple(str(e) for e in events)
            elif name.startswith("setting."):
                pass
            else:
                self._values[name] = (reading.value, at)
            yield name

    def resume(self, at: float) -> None:
        """Nothing was received before `at` because nobody listened: overdue counts from there."""
        self._begun_at = at

    def is_silent(self, at: float) -> bool:
        """Whether nothing of what should come is fresh."""
        return all(at - max(t, self._begun_at) >= self._limits_s[n] for n, t in self._expected())

    def heard_at(self) -> float | None:
        """When the newest measurement was made; None where none has come."""
        return max((self._values[n][1] for n in self._measured if n in self._values), default=None)

    def is_heard(self, at: float) -> bool:
        """Whether something of what should come is fresh, and has come at all."""
        return any(at - t < self._limits_s[n] for n, t in self._expected() if n in self._values)

    def stale_at(self, at: float) -> float:
        """When the next measurement goes stale or overdue after `at`; infinity if none will."""
        ends = [
            moment + self._limits_s[name]
            for name, time in self._expected()
            for moment in (time, max(time, self._begun_at))
        ]
        return min((end for end in ends if end > at), default=float("inf"))

    def _expected(self) -> list[tuple[str, float]]:
        """The measurements that should be fresh, with the time of each; of none yet, all."""
        seen = [(n, self._values[n][1]) for n in self._measured if n in self._values]
        return seen or [(name, self._begun_at) for name in self._measured]

    def sample(self, at: float, renewed: frozenset[str] = frozenset()) -> Sample:
        """What is known as of `at`."""
        known: dict[str, Any] = {}
        times: dict[str, float] = {}
        overdue = []
        oldest = at
        expected = self._expected()
        for name, time in expected:
            oldest = min(oldest, time)
            # Overdue is what did not come while watchd listened; a value is used only while fresh.
            limit = self._limits_s[name] - TOLERANCE_S
            if at - max(time, self._begun_at) >= limit:
                overdue.append(name)
            if name in self._values and at - time < limit:
                known[name], times[name] = self._values[name][0], time
        silent = bool(expected) and len(overdue) == len(expected)
        if not silent:
            known.update({n: self._values[n][0] for n in FLAGS if n in self._values})
            if self._protection:
                events = {e for found in self._protection.values() for e in found}
                known[PROTECTION] = tuple(sorted(events))
        return Sample(
            at=at,
            voltage_v=known.get("voltage_v"),
            current_a=known.get("current_a"),
            soc_pct=known.get("soc_pct"),
            cell_v=known.get("cell_v"),
            temperature_degc=known.get("temperature_degc"),
            charge_allowed=known.get("charge_allowed"),
            discharge_allowed=known.get("discharge_allowed"),
            balancing=known.get("balancing"),
            protection=known.get(PROTECTION),
            settings=self._settings,
            measured_at=times,
            renewed=renewed,
            overdue=tuple(overdue),
            age_s=at - oldest,
            quality=self._quality(overdue, complete=all(n in known for n, _ in expected)),
        )

    def _quality(self, overdue: list[str], *, complete: bool) -> Quality | None:
        if overdue:
            return Quality.STALE
        if self._bad:
            return Quality.BAD
        return Quality.GOOD if complete else None


def _as_number(reading: Reading) -> float:
    if not isinstance(reading.value, float):
        raise TypeError(f"{reading.name} is not a number")
    return reading.value


def _stream(message: Message) -> str:
    """Messages of one stream come in the order of their times of measurement."""
    indices = {str(r.index) for r in message.readings if r.name in ("cell_v", "temperature_degc")}
    return "/".join([str(message.source), *sorted(indices)])
