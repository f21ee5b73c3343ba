"""The numbers behind the drawings, where they are more than what was kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy import stats

from tests.report.seasons import BEGIN, CONFIG, DAY_S, Made, autumn, season_of, sound
from tests.scene import config_of
from watchd.history.trends import Trend
from watchd.report.drawings.spread import draw as draw_spread
from watchd.report.findings.finding import Known
from watchd.report.report import _of_pack
from watchd.report.season import PackSeason, Season
from watchd.report.series.alarms import MOST_ROWS, Alarms
from watchd.report.series.cells import Cells, level
from watchd.report.series.current import Current
from watchd.report.series.joints import Joints
from watchd.report.series.soc import Soc
from watchd.report.series.spread import Spread
from watchd.report.series.thinning import MOST_POINTS, places, thinned
from watchd.report.span import Span
from watchd.rules.rule import Priority


def only(season: Season) -> PackSeason:
    (pack,) = season.packs
    return pack


def spread(made: Made) -> Spread:
    season = season_of(made)
    return Spread.of(only(season), season.span)


def test_the_trend_and_its_band_are_those_of_scipy() -> None:
    found = spread(Made().pack("alder", widens_mv=1.2, not_full=(5, 6)))
    assert found.trend is not None
    days, values = (np.array(v) for v in zip(*found.points, strict=True))
    theirs = stats.theilslopes(values, days)  # alpha 0.95
    assert found.trend.slope.slope == pytest.approx(theirs.slope)
    edges = found.band(days[-1])
    assert edges is not None
    # A strong trend is not widened for the likeness of neighbours, so the interval is theirs.
    middle = np.median(values) + (days[-1] - np.median(days)) * np.array(
        [theirs.low_slope, theirs.high_slope]
    )
    assert edges == pytest.approx(tuple(middle))
    assert edges[0] <= found.trend.slope.at(days[-1]) <= edges[1]
    assert found.band(found.middle) == pytest.approx((found.level, found.level))


def test_days_without_a_full_charge_are_known_from_days_without_anything() -> None:
    made = Made().pack("alder", not_full=(5, 6))
    season = season_of(made)
    pack = only(season)
    kept = tuple(day for n, day in enumerate(pack.kept) if n not in (10, 11))  # nothing was kept
    found = Spread.of(replace(pack, kept=kept), season.span)
    assert found.without == (5.5, 6.5)
    assert len(found.points) == 26


def test_the_trend_of_a_season_is_that_of_its_last_month() -> None:
    season = season_of(Made().pack("alder", days=80, widens_mv=1.2), since_d=80.0)
    found = Spread.of(only(season), season.span)
    days, values = (np.array(v[-len(found.latest) :]) for v in zip(*found.points, strict=True))
    assert len(days) == 30
    assert len(found.points) == 80
    assert found.trend is not None
    assert found.trend.slope.slope == pytest.approx(stats.theilslopes(values, days).slope)
    assert "trend of the last 30 days" in found.key


def test_where_the_slope_says_nothing_so_does_the_sentence() -> None:
    season = season_of(Made().pack("alder", widens_mv=1.0))
    pack = only(season)
    days = tuple(
        replace(
            day,
            full_charges=tuple(
                replace(f, spread_at_full_mv=10.0 + n * 37 % 23 * 8) for f in day.full_charges
            ),
        )
        for n, day in enumerate(pack.kept)
    )
    found = Spread.of(replace(pack, kept=days), season.span)
    assert found.trend is not None
    assert found.trend.way is None
    assert "It has no clear trend: " in found.sentence
    assert "band" not in found.key  # and nothing is drawn of it
    # The picture is as high as the dots.
    top = draw_spread(found).axes[0].get_ylim()[1]
    assert 190 < top < 300


def test_a_few_days_have_no_trend() -> None:
    found = spread(Made().pack("alder", days=5))
    assert found.trend is None
    assert found.band(2.0) is None
    assert found.sentence == (
        "12 mV at the last full charge; 5 days with one, and a trend takes 6."
    )


@pytest.mark.parametrize(
    ("mv", "step"),
    [(0, 0), (4.9, 0), (5, 1), (-5, -1), (15, 2), (-29.9, -2), (30, 3), (-80, -3)],
)
def test_the_scale_of_the_cells(mv: float, step: int) -> None:
    assert level(mv) == step


def test_a_long_span_has_several_days_in_a_column() -> None:
    season = season_of(Made().pack("alder", days=130), since_d=130)
    found = Cells.of(only(season), season.span)
    assert found.width == 3
    assert len(found.columns) == 44
    assert found.columns[0].place == 1.5
    assert found.columns[0].at == BEGIN + 2 * DAY_S + 13.5 * 3600  # the last of them


def test_a_bms_that_sets_itself_is_known_from_one_that_does_not() -> None:
    for anchors, reached in ((True, True), (False, False)):
        made = Made().pack("alder", days=10, bms_off_pct=3.0, anchors=anchors, not_full=(4,))
        season = season_of(made)
        found = Soc.of(only(season), season.span)
        assert [a.reached for a in found.anchors] == [reached] * 9
        assert found.anchors[0].soc_pct == pytest.approx(97.0)
        low, high = found.band()
        for least, own, most in zip(low, found.own_pct, high, strict=True):
            assert (least is None) == (own is None) == (most is None)
            if least is not None and own is not None and most is not None:
                assert 0 <= least <= own <= most <= 100


def test_thinning_keeps_the_highest_and_every_hole() -> None:
    span = Span(BEGIN, BEGIN + 30 * DAY_S, lambda at: datetime.fromtimestamp(at, UTC))
    every = [Trend(BEGIN + n * 300.0, {"current_a": float(n % 50)}) for n in range(4320)]
    found = thinned(every, "current_a", span, max)
    assert len(found) == len(places(span)) <= MOST_POINTS + 1
    assert max(v for v in found if v is not None) == 49.0
    assert found[200:] == [None] * (len(found) - 200)  # the second half was not kept
    assert None not in found[:180]
    assert thinned(every, "no_such_figure", span, max) == [None] * len(found)


def test_a_day_of_current_is_its_moment_nearest_to_the_suggestion() -> None:
    season = season_of(Made().pack("alder").bank(over=(4,)))
    found = Current.of(season.banks[0], season.span)
    assert found.is_by_day
    day = found.days[4]
    # The limit is 60 A from 12:30 to 15:00, and the charger went on as before.
    assert day.limit_a == 60.0
    assert (day.current_a or 0.0) > 60.0
    assert day.above_s == found.above_s > 3600
    assert all(d.above_s == 0 for n, d in enumerate(found.days) if n != 4)
    sunny = found.days[1]
    assert (sunny.limit_a, sunny.highest_a) == (180.0, sunny.current_a)


def test_current_without_a_suggestion() -> None:
    season = season_of(Made().pack("alder").bank())
    bank = season.banks[0]
    bare = tuple(Trend(t.at, {"current_a": t.figures["current_a"]}) for t in bank.trends)
    found = Current.of(replace(bank, trends=bare), season.span)
    assert not found.has_limit
    assert found.days[3].current_a == found.days[3].highest_a
    assert "no suggestion is kept" in found.sentence


def test_rows_of_alarms_the_most_urgent_first() -> None:
    season = season_of(autumn())
    found = Alarms.of(season.banks[0], season.span)
    priorities = [row.priority for row in found.rows]
    order = [Priority.CRITICAL, *[Priority.HIGH] * 2, *[Priority.MEDIUM] * 3, *[Priority.LOW] * 2]
    assert priorities == order
    assert [len(row.times) for row in found.rows if row.name == "birch: protection trip"] == [4]


def test_too_many_rows_are_in_the_table() -> None:
    made = Made().pack("alder")
    for n in range(MOST_ROWS + 3):
        made.alarm(f"own-rule-{n}", "pack/alder", 1 + n / 10, 0.05)
    season = season_of(made)
    found = Alarms.of(season.banks[0], season.span)
    assert (len(found.rows), found.left_out) == (MOST_ROWS, 3)
    assert found.key.endswith("3 rows more in the table.")
    assert len(found.table.rows) == MOST_ROWS + 3


def test_joints_are_of_the_last_day_on_which_they_were_known() -> None:
    pack = only(season_of(Made().pack("alder", excess={7: 0.5})))
    last = replace(pack.kept[-1], cell_excess_mohm=None)
    found = Joints.of(replace(pack, kept=(*pack.kept[:-1], last)))
    assert found.at == pack.kept[-2].at
    assert found.excess_mohm[6] == 0.5


def test_a_span_begins_at_a_midnight_and_not_before_what_is_kept() -> None:
    made = Made().pack("alder", days=20)
    assert season_of(made, since_d=30).span.begin == BEGIN
    assert season_of(made, since_d=10).span.begin == BEGIN + 10 * DAY_S
    short = season_of(made, since_d=1).span
    assert short.end - short.begin == DAY_S
    assert not short.begin % 1


def test_a_pack_of_another_bank_or_without_days_is_no_pack_of_the_season() -> None:
    season = season_of(autumn(), "birch")
    assert [p.name for p in season.packs] == ["birch"]
    assert {o.pack for o in season.banks[0].occurrences} == {"birch"}
    # Its nameplate capacity is that of the whole bank all the same: the limit is the bank's.
    assert season.banks[0].nameplate_ah == 660


@pytest.mark.parametrize(
    ("days", "labels"),
    [
        (0.2, ["00:00", "01:00", "02:00", "03:00", "04:00"]),
        (1, ["00:00", "06:00", "12:00", "18:00", "00:00"]),
        (4, ["1 Sep", "2 Sep", "3 Sep", "4 Sep", "5 Sep"]),
        (30, ["1 Sep", "8 Sep", "15 Sep", "22 Sep", "29 Sep"]),
        (365, ["1 Sep", "1 Dec", "2 Mar", "1 Jun", "31 Aug"]),
    ],
)
def test_labels_of_the_axis_of_time(days: float, labels: list[str]) -> None:
    span = Span(BEGIN, BEGIN + days * DAY_S, lambda at: datetime.fromtimestamp(at, UTC))
    assert [label for _, label in span.ticks()] == labels


def test_the_axis_follows_the_keepers_midnights() -> None:
    oslo = ZoneInfo("Europe/Oslo")  # 2 h before UTC, and 1 h from 25 October on
    begin = datetime(2026, 10, 23, tzinfo=UTC).timestamp()
    span = Span(begin, begin + 4 * DAY_S, lambda at: datetime.fromtimestamp(at, oslo))
    assert [(round(24 * place, 6), label) for place, label in span.ticks()] == [
        (22.0, "24 Oct"),
        (46.0, "25 Oct"),
        (71.0, "26 Oct"),
        (95.0, "27 Oct"),
    ]
    east = timezone(timedelta(hours=10))
    assert Span(0.0, 1.0, lambda at: datetime.fromtimestamp(at, east)).moment(0.0) == "1 Jan 10:00"


def test_every_series_says_why_it_is_empty() -> None:
    nothing = dict.fromkeys(sound())
    made = Made().pack("alder", figures=nothing, not_full=tuple(range(30)), knows_joints=False)
    season = season_of(made, config=config_of(CONFIG))
    pack = replace(only(season), trends=(), days=())
    for shown in _of_pack(pack, Known(season.span, {})).drawings:
        assert shown.is_empty, shown.title
        assert shown.sentence.endswith(".")
        assert "None" not in shown.sentence
