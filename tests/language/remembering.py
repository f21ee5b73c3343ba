"""The windowed functions by brute force: every sample is kept, and looked through each time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf
from statistics import fmean

from watchd.figures import Value

Held = tuple[float, float, Value]  # from, to, what held


@dataclass
class Memory:
    """Every sample of a value: (Unix seconds, value), in order of time."""

    samples: list[tuple[float, Value]] = field(default_factory=list)

    def take(self, at: float, value: Value) -> None:
        """Time never runs backward: what comes late counts as of the last."""
        if self.samples:
            at = max(at, self.samples[-1][0])
        self.samples.append((at, value))

    def held(self, start: float, now: float) -> Iterator[Held]:
        """What was known, each value from its sample to the next one, within a time."""
        ends = [at for at, _ in self.samples[1:]] + [now]
        for (at, value), end in zip(self.samples, ends, strict=True):
            if value is not None and min(end, now) > max(at, start):
                yield max(at, start), min(end, now), value

    def points(self, start: float) -> list[tuple[float, float]]:
        """Times and values of the samples since `start`."""
        return [(t, float(v)) for t, v in self.samples if isinstance(v, int | float) and t >= start]

    def known_s(self, start: float, now: float) -> float:
        return sum(end - begin for begin, end, _ in self.held(start, now))

    def steps(self, start: float) -> Iterator[tuple[Value, Value]]:
        """Each known value since `start` beside the last known one before it."""
        before: Value = None
        for at, value in self.samples:
            if value is not None:
                if before is not None and at >= start:
                    yield before, value
                before = value

    def mean(self, start: float, now: float, span_s: float) -> Value:
        known_s = self.known_s(start, now)
        if known_s < span_s / 2:
            return None
        return sum((e - b) * float(v) for b, e, v in self._numbers(start, now)) / known_s

    def highest(self, start: float, now: float, span_s: float) -> Value:
        return max(self._seen(start, now)) if self.known_s(start, now) >= span_s / 2 else None

    def lowest(self, start: float, now: float, span_s: float) -> Value:
        return min(self._seen(start, now)) if self.known_s(start, now) >= span_s / 2 else None

    def count(self, start: float, now: float, _span_s: float) -> Value:
        if not self._anything(start, now):
            return None
        return float(sum(old is False and new is True for old, new in self.steps(start)))

    def changed(self, start: float, now: float, span_s: float) -> Value:
        if any(old != new for old, new in self.steps(start)):
            return True
        whole = now - self.samples[0][0] >= span_s
        return False if whole and self.known_s(start, now) >= span_s / 2 else None

    def elapsed(self, start: float, now: float, _span_s: float) -> Value:
        if not self._anything(start, now):
            return None
        return sum((e - b for b, e, v in self.held(start, now) if v is True), 0.0)

    def since(self, _start: float, now: float, span_s: float) -> Value:
        if self.samples[-1][1] is True:
            return 0.0
        ends = [end for _, end, value in self.held(float("-inf"), now) if value is True]
        ends += [at for at, value in self.samples if value is True]
        return now - max(ends) if ends and now - max(ends) <= span_s else None

    def slope(self, start: float, now: float, span_s: float) -> tuple[float, float] | None:
        """The least-squares slope a day, and how far a window of buckets may be from it.

        A bucket stands for its samples by their mean: what is left out is at most half a bucket's
        width times half the range of the values, for each sample.
        """
        points = self.points(start)
        if self.known_s(start, now) < span_s / 2 or len(points) < 2:
            return None
        t_mean, x_mean = fmean(t for t, _ in points), fmean(x for _, x in points)
        s_tt = sum((t - t_mean) ** 2 for t, _ in points)
        s_tx = sum((t - t_mean) * (x - x_mean) for t, x in points)
        width_s = span_s / 240
        spread = max(x for _, x in points) - min(x for _, x in points)
        lost_tx, lost_tt = len(points) * width_s * spread / 4, len(points) * width_s**2 / 4
        if s_tt <= lost_tt:
            return 0.0, inf
        slope = s_tx / s_tt
        error = (lost_tx + abs(slope) * lost_tt) / (s_tt - lost_tt)
        return slope * 86400, error * 86400

    def _anything(self, start: float, now: float) -> bool:
        return self.samples[-1][1] is not None or any(True for _ in self.held(start, now))

    def _numbers(self, start: float, now: float) -> Iterator[tuple[float, float, float]]:
        for begin, end, value in self.held(start, now):
            if isinstance(value, int | float):
                yield begin, end, float(value)

    def _seen(self, start: float, now: float) -> list[float]:
        return [v for _, _, v in self._numbers(start, now)] + [x for _, x in self.points(start)]
