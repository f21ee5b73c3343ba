"""What is looked at of the cells of a pack and of what joins them. Limits: see `pack`."""

from __future__ import annotations

from watchd.advice.reanchoring import CAUTION
from watchd.estimators.balancing.balancer import CLOSING, HOLDING, LEAST, NOT_COPING
from watchd.report.findings.finding import INSIDE, SHEET, Finding, Known, Standing
from watchd.report.season import PackSeason, number_of
from watchd.report.span import DAY_S, utc_day
from watchd.report.writing import lasted, shown

WIDE_MV = 40.0  # cell-spread-wide
CERTAIN = ("likely", "observed")


def joints(pack: PackSeason, known: Known) -> Finding:
    """The worst joint, against the limit of the rule in force."""
    # It is withheld at times; a joint is what it was.
    days = (d for d in reversed(pack.kept) if d.figures.get("joint_excess_mohm") is not None)
    day = next(days, None)
    figures = {} if day is None else day.figures
    names = ("joint_excess_mohm", "joint_excess_sigma_mohm", "joint_cell_no", "joint_heat_w")
    excess, sigma, cell, heat = (number_of(figures.get(name)) for name in names)
    limit = known.joint_limit_mohm()
    numbers = dict(zip(names, (excess, sigma, cell, heat), strict=True))

    def finding(standing: Standing, what: str, do: str = "", caution: str = "") -> Finding:
        return Finding("joints", f"pack/{pack.name}", standing, what, do, caution, numbers)

    if day is None or excess is None or sigma is None or cell is None:
        return finding(Standing.UNKNOWN, "Nothing is known of its joints yet.")
    when = "" if day is pack.kept[-1] else f" (as of {utc_day(day.at)})"
    if limit is not None and excess > limit and excess > 3 * sigma:
        hot = f", which makes {shown(heat, '.1f')} W of heat at the day's highest current"
        return finding(
            Standing.ACT,
            f"The joint at cell {shown(cell)} has {shown(excess, '.2f')} mΩ too "
            f"much{hot if heat else ''}{when}.",
            f"Lower charge and load current, and do not feel for heat with your hand. Have the "
            f"joints of cell {shown(cell)} cleaned and tightened to the maker's torque.",
            f"{SHEET} {INSIDE}",
        )
    return finding(
        Standing.WELL,
        f"Its joints are alike: the worst has {shown(max(excess, 0.0), '.2f')} mΩ more than the "
        f"middle one{when}.",
    )


def balance(pack: PackSeason, _: Known) -> Finding:
    """How far the cells are apart at full, and whether the balancer copes."""
    verdict, spread = pack.word("balancer_verdict"), pack.number("spread_at_full_mv")
    slope = pack.number("spread_slope_mv")
    low, high = pack.number("spread_slope_low_mv"), pack.number("spread_slope_high_mv")
    numbers = {
        "balancer_verdict": verdict, "spread_at_full_mv": spread, "spread_slope_mv": slope,
        "spread_slope_low_mv": low, "spread_slope_high_mv": high,
    }  # fmt: skip
    at = f"{shown(spread)} mV at full"

    def finding(standing: Standing, what: str, do: str = "", caution: str = "") -> Finding:
        return Finding("balance", f"pack/{pack.name}", standing, what, do, caution, numbers)

    if spread is None:
        return finding(Standing.UNKNOWN, "How far its cells are apart at full is not known yet.")
    if verdict == NOT_COPING:
        return finding(
            Standing.ACT,
            f"Its balancer does not cope: cells {at}{_growth(pack)}.",
            "Hold the charge voltage for longer, at a low current, so that the balancer has more "
            "time. If two weeks of that are not enough, have the cell that leads, and the "
            "balancer, measured.",
            f"{SHEET} {INSIDE}",
        )
    if verdict == CLOSING:
        left = pack.number("days_to_balanced_d")
        until = f", balanced in about {lasted(left * DAY_S)}" if left else ""
        return finding(
            Standing.WELL,
            f"Its balancer closes the spread: cells {at}, {shown(slope, '+.1f')} mV a day{until}.",
        )
    if spread > WIDE_MV:
        return finding(
            Standing.WATCH,
            f"Its cells are far apart, {at}.",
            "Give the balancer time near full, at a low current.",
            SHEET,
        )
    if verdict == HOLDING:
        return finding(Standing.WELL, f"Its cells are held together: {at}.")
    return finding(
        Standing.UNKNOWN,
        f"Whether its balancer copes is not known yet (cells {at}); it takes {LEAST} days with a "
        "full charge, and more where they differ.",
    )


def _growth(pack: PackSeason) -> str:
    """What shows that a balancer does not cope: of the spread, or else of the charge."""
    names = ("spread_slope_mv", "spread_slope_low_mv", "spread_slope_high_mv")
    slope, low, high = (pack.number(name) for name in names)
    if low is not None and low > 0:
        between = f"{shown(low, '.1f')} to {shown(high, '.1f')}"
        return f", and the spread grows by {shown(slope, '.1f')} mV a day (95 %: {between})"
    needed, can = pack.number("balancer_needed_ah"), pack.number("balancer_can_move_ah")
    if needed is not None and can is not None:
        moves = f"and can move {shown(can, '.1f')}"
        return f", and it would have to move {shown(needed, '.1f')} Ah a day {moves}"
    return ""


def small_cell(pack: PackSeason, _: Known) -> Finding | None:
    """A cell that is smaller than the others, or ahead or behind in charge."""
    certain = pack.word("spread_kind_certainty") in CERTAIN
    kind, cell = pack.word("spread_kind"), pack.number("spread_kind_cell_no")
    if not certain or cell is None:
        return None
    if kind == "small cell":
        short = pack.number("cell_shortfall_ah")
        less = f" {shown(short)} Ah" if short is not None else ""
        return Finding(
            "small-cell",
            f"pack/{pack.name}",
            Standing.ACT,
            f"Cell {shown(cell)} holds{less} less than the others, and the whole pack has only "
            "what it holds.",
            "Set the end of discharge so that this cell stays above the cell maker's limit, note "
            "its capacity from month to month, and ask the maker before a cell is changed.",
            f"{CAUTION} {INSIDE}",
            {"cell_shortfall_ah": short, "cell_shortfall_cell_no": cell},
        )
    if kind == "charge":
        ahead = pack.number("imbalance_ah")
        if ahead is None:
            return None
        way = "ahead of" if ahead > 0 else "behind"
        return Finding(
            "charge",
            f"pack/{pack.name}",
            Standing.WATCH,
            f"Cell {shown(cell)} is {shown(abs(ahead), '.1f')} Ah {way} the others in charge; time "
            "near full mends that.",
            numbers={"imbalance_ah": ahead, "imbalance_cell_no": cell},
        )
    return None
