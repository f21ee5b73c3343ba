"""The parts of a pack's telemetry, whatever topics they came on, and how old each may be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watchd.config import Pack, Telemetry
from watchd.telemetry.cellset import CellCollector
from watchd.telemetry.message import SETTING, Message
from watchd.telemetry.names import FLAGS, MEASURED
from watchd.telemetry.order import Order
from watchd.telemetry.sample import Quality, Sample

# Unix seconds in a float resolve 0.2 µs; the end of an age is met within this.
TOLERANCE_S = 0.001
MOST_SENSORS = 32
NOTHING_NEW: frozenset[str] = frozenset()
NO_FLAGS: dict[str, bool] = {}
# A look-up of a member costs more than the rest of a line.
GOOD, BAD, STALE = Quality.GOOD, Quality.BAD, Quality.STALE


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
        self._limits_s = limits_s
        self._measured = tuple(n for n in MEASURED if n in limits_s)
        self._begun_at = begun_at
        self._values: dict[str, Any] = {}
        # By name; made anew when something comes, as samples hold it.
        self._times: dict[str, float] = {}
        self._flags: dict[str, bool] = {}
        self._flags_at: dict[str, float] = {}
        self._sensors: dict[str, tuple[float, float]] = {}
        self._protection: dict[str, tuple[str, ...]] = {}
        # Another mapping when one of them changes, as samples hold it.
        self._settings: dict[str, float] = {}
        self._bad = False
        self._not_mapped: dict[str, Any] = {}  # saved when the config still had it
        collector, stream_at = None, {}
        if state is not None:
            self._begun_at = state["begun_at"]
            for name, (value, at) in state["values"].items():
                self._restore(name, value, at)
            self._sensors = {n: (v, t) for n, (v, t) in state["sensors"].items()}
            self._protection = {k: tuple(v) for k, v in state["protection"].items()}
            self._settings = dict(state["settings"])
            stream_at = state["stream_at"]
            self._bad = state["bad"]
            collector = state["cells"]
        self._order = Order(config, limits_s, stream_at)
        self._cells = CellCollector(pack.cells_in_series, config.parts_within, collector)
        # What follows from the above until the next part comes.
        self._expected = self._measured
        self._events: tuple[str, ...] | None = None
        self._oldest_at = self._fresh_until = self._least_limit_s = 0.0
        self._gather_protection()
        self._gather_expected()

    def _restore(self, name: str, value: Any, at: float) -> None:
        if name in FLAGS:
            self._flags[name], self._flags_at[name] = value, at
        elif name in self._measured:
            self._values[name] = tuple(value) if isinstance(value, list) else value
            self._times[name] = at
        else:
            self._not_mapped[name] = [value, at]

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the parts go on."""
        values: dict[str, Any] = {
            n: [list(v) if isinstance(v, tuple) else v, self._times[n]]
            for n, v in self._values.items()
        }
        values.update({n: [v, self._flags_at[n]] for n, v in self._flags.items()})
        values.update(self._not_mapped)
        return {
            "begun_at": self._begun_at,
            "values": values,
            "sensors": {n: list(v) for n, v in self._sensors.items()},
            "protection": {k: list(v) for k, v in self._protection.items()},
            "settings": dict(self._settings),
            "stream_at": self._order.snapshot(),
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
        return name in self._expected or at - self._begun_at < limit_s

    def never_came(self, at: float) -> tuple[str, ...]:
        """What is mapped, and has not come though other measurements have."""
        if len(self._expected) == len(self._measured):
            return ()
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
        if message.measured_at is None:
            return None
        return self._order.refusal(message, message.measured_at, at)

    def accept_settings(self, message: Message) -> frozenset[str]:
        """Take the BMS settings of a message, retained or not, and name them.

        A setting stands until it is changed, however old the message.
        """
        if not message.settings:
            return NOTHING_NEW
        self._set(message.settings)
        return frozenset([SETTING + name for name in message.settings])

    def accept(self, message: Message, at: float, step_s: float = 0.0) -> frozenset[str]:
        """Take a message that was not refused; the names that are new with it.

        A single cell is new only with the whole set that it completes.
        """
        if message.settings:
            self._set(message.settings)
        if message.measured_at is not None:
            self._order.take(message.stream, message.measured_at)
            at = min(at, message.measured_at - step_s)
        self._bad = False
        if message.measured:
            self._renew(message.measured, at)
        if message.flags:
            self._flags.update(message.flags)
            self._flags_at.update(dict.fromkeys(message.flags, at))
        for place, events in message.protection.items():
            if self._protection.get(place) != events:
                self._protection[place] = events
                self._gather_protection()
        if message.cell is not None:
            return message.names if self._take_cell(message.cell, at) else NOTHING_NEW
        if message.sensor is not None:
            return message.names if self._take_sensor(message.sensor, at) else NOTHING_NEW
        return message.names

    def _set(self, settings: Mapping[str, float]) -> None:
        changed = {**self._settings, **settings}
        if changed != self._settings:
            self._settings = changed

    def _take_cell(self, cell: tuple[int, float], at: float) -> bool:
        found = self._cells.add(cell[0], cell[1], at)
        if found is None:
            return False
        self._renew({"cell_v": found.cell_v}, found.at)
        return True

    def _take_sensor(self, sensor: tuple[str, float], at: float) -> bool:
        name, degc = sensor
        if name not in self._sensors and len(self._sensors) >= MOST_SENSORS:
            return False
        self._sensors[name] = (degc, at)
        temperatures = tuple(v for _, (v, _) in sorted(self._sensors.items()))
        self._renew({"temperature_degc": temperatures}, min(t for _, t in self._sensors.values()))
        return True

    def _renew(self, measured: Mapping[str, Any], at: float) -> None:
        values, known = self._values, len(self._values)
        values.update(measured)
        if len(measured) == len(values):
            self._times = dict.fromkeys(measured, at)
        else:
            self._times = {**self._times, **dict.fromkeys(measured, at)}
        if len(values) != known:
            self._gather_expected()
        elif len(measured) == known:
            self._oldest_at = at
            self._fresh_until = at + self._least_limit_s
        else:
            self._gather_times()

    def _gather_protection(self) -> None:
        if self._protection:
            events = {e for found in self._protection.values() for e in found}
            self._events = tuple(sorted(events))

    def _gather_expected(self) -> None:
        """The measurements that should be fresh; of none yet, all."""
        self._expected = tuple(n for n in self._measured if n in self._values) or self._measured
        self._least_limit_s = min([self._limits_s[n] for n in self._expected], default=0.0)
        self._gather_times()

    def _gather_times(self) -> None:
        self._oldest_at = min(self._times.values(), default=float("inf"))
        # Of nothing yet, it is looked at each time.
        ends = [time + self._limits_s[name] for name, time in self._times.items()]
        self._fresh_until = min(ends, default=float("-inf"))

    def _all_fresh(self, at: float) -> bool:
        """Whether plainly all that should come has, and is fresh; on the verge, it is not plain."""
        return at < self._fresh_until - 2 * TOLERANCE_S

    def resume(self, at: float) -> None:
        """Nothing was received before `at` because nobody listened: overdue counts from there."""
        self._begun_at = at

    def is_silent(self, at: float) -> bool:
        """Whether nothing of what should come is fresh."""
        if self._all_fresh(at):
            return False
        return all(
            at - max(t, self._begun_at) >= self._limits_s[n] for n, t in self._expected_times()
        )

    def heard_at(self) -> float | None:
        """When the newest measurement was made; None where none has come."""
        return max(self._times.values(), default=None)

    def is_heard(self, at: float) -> bool:
        """Whether something of what should come is fresh, and has come at all."""
        return self._all_fresh(at) or any(
            at - t < self._limits_s[n] for n, t in self._times.items()
        )

    def stale_at(self, at: float) -> float:
        """When the next measurement goes stale or overdue after `at`; infinity if none will."""
        if at < self._fresh_until:
            return self._fresh_until
        ends = [
            moment + self._limits_s[name]
            for name, time in self._expected_times()
            for moment in (time, max(time, self._begun_at))
        ]
        return min((end for end in ends if end > at), default=float("inf"))

    def _expected_times(self) -> list[tuple[str, float]]:
        """What should be fresh, with the time of each; of none yet, when listening began."""
        return [(name, self._times.get(name, self._begun_at)) for name in self._expected]

    def sample(self, at: float, renewed: frozenset[str] = NOTHING_NEW) -> Sample:
        """What is known as of `at`."""
        values, times, oldest_at = self._values, self._times, self._oldest_at
        overdue: tuple[str, ...] = ()
        if not self._all_fresh(at):
            values, times, overdue, oldest_at = self._fresh(at)
        flags, events = self._flags, self._events
        if overdue:
            quality: Quality | None = STALE
            if len(overdue) == len(self._expected):
                flags, events = NO_FLAGS, None
        elif self._bad:
            quality = BAD
        else:
            quality = GOOD if len(values) == len(self._expected) else None
        return Sample(  # by place, which is faster
            at,
            values.get("voltage_v"),
            values.get("current_a"),
            values.get("soc_pct"),
            values.get("cell_v"),
            values.get("temperature_degc"),
            flags.get("charge_allowed"),
            flags.get("discharge_allowed"),
            flags.get("balancing"),
            events,
            self._settings,
            times,
            renewed,
            overdue,
            at - oldest_at if oldest_at < at else 0.0,
            quality,
        )

    def _fresh(self, at: float) -> tuple[dict[str, Any], dict[str, float], tuple[str, ...], float]:
        """What is fresh, its times, the names of what is overdue, and the time of the oldest."""
        values: dict[str, Any] = {}
        times: dict[str, float] = {}
        overdue = []
        oldest_at = at
        for name, time in self._expected_times():
            oldest_at = min(oldest_at, time)
            # Overdue is what did not come while watchd listened; a value is used only while fresh.
            limit = self._limits_s[name] - TOLERANCE_S
            if at - max(time, self._begun_at) >= limit:
                overdue.append(name)
            if name in self._values and at - time < limit:
                values[name], times[name] = self._values[name], time
        return values, times, tuple(overdue), oldest_at
