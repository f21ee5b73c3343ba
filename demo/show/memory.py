"""What the narrator remembers of the day, and what it says at the end."""

from dataclasses import dataclass, field

from demo.show.page import Page, clock

WANTED = (
    ("cell-spread-wide", "pack/auk"),
    ("soc-stuck-below-full", "pack/tern"),
    ("protection-trips-repeated", "pack/auk"),
)
"""Alarms without which the demo has failed."""


@dataclass(slots=True)
class Half:
    """One half of the day: before, or after, the charger follows the suggestion."""

    trips: int = 0
    lowest_a: float | None = None
    lowest_at: float = 0.0
    later_a: float | None = None
    later_at: float = 0.0
    """The highest limit after the lowest."""

    def limit(self, limit_a: float, at: float) -> None:
        """Remember a limit."""
        if self.lowest_a is None or limit_a < self.lowest_a:
            self.lowest_a, self.lowest_at = limit_a, at
            self.later_a = None
        elif self.later_a is None or limit_a > self.later_a:
            self.later_a, self.later_at = limit_a, at


@dataclass(slots=True)
class Memory:
    """The day so far."""

    raised: dict[tuple[str, str], list[float]] = field(default_factory=dict)
    before: Half = field(default_factory=Half)
    after: Half = field(default_factory=Half)
    followed_at: float | None = None
    ended: bool = False
    posted: int = 0
    """Messages that the bridge brought to the phone."""

    @property
    def half(self) -> Half:
        """The half that is running."""
        return self.before if self.followed_at is None else self.after

    @property
    def missing(self) -> list[tuple[str, str]]:
        """Alarms that should have come and have not."""
        return [alarm for alarm in WANTED if alarm not in self.raised]

    @property
    def complete(self) -> bool:
        """Whether the demo has shown what it is for."""
        return self.ended and not self.missing

    def summary(self, page: Page) -> list[str]:
        """The last words."""
        lines = ["", page.strong("The day in short"), "", "Alarms, and when they came:"]
        for (rule, subject), times in sorted(self.raised.items(), key=lambda item: item[1]):
            what = f"{subject.rpartition('/')[2]}: {rule}"
            lines += page.folded(f"{what:<36} {', '.join(clock(at) for at in times)}", "  ")
        if not self.raised:
            lines.append("  none")
        lines += ["", "Before the charger followed the suggested limit:"]
        lines += page.folded(_half(self.before), "  ")
        lines.append("After:")
        lines += page.folded(_half(self.after), "  ")
        lines.append("")
        if self.posted:
            lines += [f"The keeper's phone got {self.posted} messages.", ""]
        if not self.ended:
            lines.append("The day did not come to its end.")
        lines += [f"Not seen: {rule} of {subject}." for rule, subject in self.missing]
        if self.complete:
            lines.append("watchd found what is wrong with the bank, from telemetry alone.")
        return lines


def _half(half: Half) -> str:
    trips = "no trip" if half.trips == 0 else f"{half.trips} trip{'s' if half.trips > 1 else ''}"
    if half.lowest_a is None:
        return f"{trips}; no limit was suggested."
    text = f"{trips}; the suggested limit went down to {half.lowest_a:.0f} A at "
    text += clock(half.lowest_at)
    if half.later_a is not None and half.later_a > half.lowest_a:
        text += f" and was up to {half.later_a:.0f} A again at {clock(half.later_at)}"
    return text + "."
