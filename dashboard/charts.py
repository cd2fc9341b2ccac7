"""Charts: frame in, Vega-Lite out. Times are drawn as the county's wall clock (the UTC axis of shifted moments).

An estimate is a 2 px line in its 90 % band, observations are dots (filled: on time, hollow: came late), the future is
dashed, right of a thin rule that says now.
"""

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any, Literal
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl

from dashboard.theme import Palette, chart_config

BAND_OPACITY = 0.18
LINE_PX = 2
AXIS_PX = 46  # room for the left axis of a small panel
LABELS_PX = 8  # between the times of an axis, so that they do not run into one
LEAST_PEOPLE = 5.0  # end of an axis of people while nobody waits [count]
SOME_DAY = (datetime(2000, 1, 1, tzinfo=UTC), datetime(2000, 1, 2, tzinfo=UTC))  # until the ends of an axis are known
MOLDS_KEPT = 32  # shapes of a kind of chart that are remembered [count]; there are two or three sizes in two themes
# Rows stay in the layer that draws them, however many: a county may have thousands of places.
alt.data_transformers.consolidate_datasets = False
alt.data_transformers.disable_max_rows()


def wall(moment: datetime | None, zone: str) -> int | None:
    """A moment as the milliseconds that a UTC axis shows as the county's wall clock."""
    if moment is None:
        return None
    there = moment.astimezone(ZoneInfo(zone))
    offset = there.utcoffset()
    assert offset is not None
    return int((moment.timestamp() + offset.total_seconds()) * 1000)


def records(frame: pl.DataFrame, zone: str) -> list[dict[str, Any]]:
    """Rows for a chart, every moment as the county's wall clock."""
    return [
        {name: wall(value, zone) if isinstance(value, datetime) else value for name, value in row.items()}
        for row in frame.iter_rows(named=True)
    ]


def base(rows: Sequence[dict[str, Any]] | str) -> alt.Chart:
    """A chart on plain rows, or on a name in whose place rows are put later."""
    return alt.Chart(alt.NamedData(name=rows) if isinstance(rows, str) else alt.Data(values=list(rows)))


def finish(chart: Any, colours: Palette, height: int | None = None) -> Any:
    """The chart with what all have in common."""
    sized = chart if height is None else chart.properties(height=height)
    return sized.configure(**chart_config(colours))


def axis_ends(domain: tuple[datetime, datetime], zone: str) -> list[dict[str, Any]]:
    """The ends of a time axis. As plain milliseconds Vega-Lite reads them only where some layer has a second end."""
    return [
        {
            "year": there.year,
            "month": there.month,
            "date": there.day,
            "hours": there.hour,
            "minutes": there.minute,
            "seconds": there.second,
            "utc": True,
        }
        for there in (moment.astimezone(ZoneInfo(zone)) for moment in domain)
    ]


def time_axis(
    field: str, domain: tuple[datetime, datetime], zone: str, orient: Literal["top", "bottom"] = "bottom"
) -> alt.X:
    """The shared time axis."""
    return alt.X(
        f"{field}:T",
        scale=alt.Scale(type="utc", domain=axis_ends(domain, zone)),
        axis=alt.Axis(
            title=None,
            format="%H:%M",
            tickCount=8,
            grid=False,
            labelOverlap=True,
            labelSeparation=LABELS_PX,
            orient=orient,
        ),
    )


def stretch_axis(field: str) -> alt.X:
    """The axis for marks with two ends: Vega-Lite misreads the axis' own ends there, so another layer gives them."""
    return alt.X(f"{field}:T", scale=alt.Scale(type="utc"))


def rule(chart: alt.Chart, colours: Palette) -> alt.Chart:
    """The mark of that rule."""
    return chart.mark_rule(color=colours.ink, strokeWidth=1, opacity=0.7)


def voting(hours: tuple[datetime, datetime], domain: tuple[datetime, datetime], zone: str) -> list[dict[str, Any]]:
    """The hours of voting within an axis, to be shaded."""
    start, end = max(hours[0], domain[0]), min(hours[1], domain[1])
    return [{"x": wall(start, zone), "x2": wall(end, zone)}] if start < end else []


def filled(mold: str, rows: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
    """A chart with its rows in place of their names; making the mold costs a hundred times what filling it costs.

    A layer without rows is left out: an empty mark has no name to read out.
    """
    drawn: dict[str, Any] = json.loads(mold)
    drawn["layer"] = [layer for layer in drawn["layer"] if rows[layer["data"]["name"]]]
    for layer in drawn["layer"]:
        layer["data"] = {"values": rows[layer["data"]["name"]]}
    return drawn


def line_panel(
    points: pl.DataFrame,
    counts: pl.DataFrame,
    at: datetime,
    domain: tuple[datetime, datetime],
    hours: tuple[datetime, datetime],
    zone: str,
    colours: Palette,
    height: int = 130,
    axis_px: int = AXIS_PX,
) -> dict[str, Any]:
    """One line's estimate, head counts and outlook, as the specification that is drawn.

    Parameters
    ----------
    points : at, median, low, high; those after `at` are the outlook
    counts : at, people, is_late
    """
    ahead = records(points.filter(pl.col("at") >= at), zone)
    counts = counts.filter(pl.col("at").is_between(*domain))  # not cut off by a clip, which halves a dot on the axis
    rows = {
        "voting": voting(hours, domain, zone),
        "past": records(points.filter(pl.col("at") <= at), zone),
        "ahead": ahead,
        "present": ahead[:1],
        "counts": records(counts, zone),
        "now": [{"at": wall(at, zone)}],
    }
    top = max([LEAST_PEOPLE, *points["high"].drop_nulls(), *counts["people"].drop_nulls()])
    drawn = filled(line_mold(colours, height, axis_px), rows)
    for layer in drawn["layer"]:
        for axis, ends in (("x", axis_ends(domain, zone)), ("y", [0, top])):
            scale = layer["encoding"].get(axis, {}).get("scale", {})
            if "domain" in scale:
                scale["domain"] = ends
    return drawn


@lru_cache(maxsize=MOLDS_KEPT)
def line_mold(colours: Palette, height: int, axis_px: int) -> str:
    """A line panel without its rows and ends."""
    y = alt.Y(
        "median:Q",
        scale=alt.Scale(domain=[0, 1], nice=True),
        axis=alt.Axis(
            title="people waiting" if axis_px == AXIS_PX else None, tickCount=4, minExtent=axis_px, maxExtent=axis_px
        ),
    )
    x = time_axis("at", SOME_DAY, "UTC")
    tip = [
        alt.Tooltip("at:T", title="time", format="%H:%M"),
        alt.Tooltip("median:Q", title="median", format=".0f"),
        alt.Tooltip("low:Q", title="5 %", format=".0f"),
        alt.Tooltip("high:Q", title="95 %", format=".0f"),
    ]
    band: dict[str, Any] = {"color": colours.estimate, "opacity": BAND_OPACITY}
    line: dict[str, Any] = {"color": colours.estimate, "strokeWidth": LINE_PX}
    layers = [
        base("voting").mark_rect(color=colours.shade).encode(x=stretch_axis("x"), x2="x2:T"),
        base("past").mark_area(**band).encode(x=x, y=alt.Y("low:Q"), y2="high:Q"),
        base("ahead").mark_area(**band).encode(x=x, y=alt.Y("low:Q"), y2="high:Q"),
        base("past").mark_line(**line).encode(x=x, y=y, tooltip=tip),
        base("ahead").mark_line(strokeDash=[5, 4], **line).encode(x=x, y=y, tooltip=tip),
        base("present").mark_rule(**line).encode(x=x, y="low:Q", y2="high:Q"),
        base("present").mark_tick(color=colours.estimate, thickness=3, size=14, orient="horizontal").encode(x=x, y=y),
        head_counts(x, colours),
        rule(base("now"), colours).encode(x=x),
    ]
    return json.dumps(finish(alt.layer(*layers), colours, height).to_dict())


def head_counts(x: alt.X, colours: Palette) -> alt.Chart:
    """Head counts as dots: filled when they came on time, hollow when they came late."""
    return (
        base("counts")
        .mark_point(size=42, strokeWidth=1.6, color=colours.stakes[3])
        .encode(
            x=x,
            y=alt.Y("people:Q"),
            fill=alt.condition("datum.is_late", alt.value(colours.paper), alt.value(colours.stakes[3])),
            tooltip=[
                alt.Tooltip("at:T", title="counted at", format="%H:%M"),
                alt.Tooltip("people:Q", title="people"),
                alt.Tooltip("is_late:N", title="came late"),
            ],
        )
    )


def empty_bars(units: pl.DataFrame, at: datetime, zone: str, colours: Palette) -> dict[str, Any]:
    """When each battery ends: the interval as a bar, the mean as a tick, promised restoration as a diamond."""
    ends = [at, *units["empty_at_high"].drop_nulls(), *units["restoration_at"].drop_nulls()]
    domain = (at, max(max(ends), at + timedelta(hours=1)))
    rows = records(units, zone)
    promised = [r for r in rows if r["restoration_at"] is not None and r["restoration_at"] >= wall(at, zone)]
    drawn = filled(
        empty_mold(colours), {"known": [r for r in rows if r["empty_at_low"] is not None], "promised": promised}
    )
    return listed(drawn, units["label"].to_list(), axis_ends(domain, zone), 22 * max(units.height, 1) + 10)


@lru_cache(maxsize=MOLDS_KEPT)
def empty_mold(colours: Palette) -> str:
    """The ends of batteries without their rows and times."""
    y, day = label_axis(), SOME_DAY
    tip = [
        alt.Tooltip("label:N", title="unit"),
        alt.Tooltip("empty_at_low:T", title="5 %", format="%H:%M"),
        alt.Tooltip("empty_at_mean:T", title="mean", format="%H:%M"),
        alt.Tooltip("empty_at_high:T", title="95 %", format="%H:%M"),
    ]
    layers = [
        base("known")
        .mark_bar(color=colours.stakes[2], height=9, clip=True)
        .encode(x=stretch_axis("empty_at_low"), x2="empty_at_high:T", y=y, tooltip=tip),
        base("known")
        .mark_tick(color=colours.ink, thickness=2, size=14)
        .encode(x=time_axis("empty_at_mean", day, "UTC", "top"), y=y),
        base("promised")
        .mark_point(shape="diamond", filled=False, color=colours.accent, size=70, strokeWidth=2)
        .encode(x=time_axis("restoration_at", day, "UTC", "top"), y=y),
    ]
    return json.dumps(finish(alt.layer(*layers), colours).to_dict())


def label_axis() -> alt.Y:
    """The axis of a list of units; `listed` gives their order."""
    return alt.Y("label:N", sort=[""], axis=alt.Axis(title=None, labelLimit=320, grid=False))


def listed(drawn: dict[str, Any], labels: list[str], ends: Sequence[Any], height: int) -> dict[str, Any]:
    """A chart of a list of units with their order, the ends of the other axis, and its height [px]."""
    for layer in drawn["layer"]:
        if "y" in layer["encoding"]:
            layer["encoding"]["y"]["sort"] = labels
    return ending(drawn, ends) | {"height": height}


def ending(drawn: dict[str, Any], ends: Sequence[Any]) -> dict[str, Any]:
    """A chart with the ends of its horizontal axis."""
    for layer in drawn["layer"]:
        scale = layer["encoding"]["x"].get("scale", {})
        if "domain" in scale:
            scale["domain"] = list(ends)
    return drawn


def rate_bars(units: pl.DataFrame, colours: Palette) -> dict[str, Any]:
    """How often units fail over the fleet's like: interval as a rule, mean as a dot, 1 and 3 as guides."""
    top = max([4.0, *units["rate_ratio_high"].to_list()])
    drawn = filled(rate_mold(colours), {"guides": [{"v": 1.0}, {"v": 3.0}], "units": units.to_dicts()})
    return listed(drawn, units["label"].to_list(), [0, top], 24 * max(units.height, 1) + 40)


@lru_cache(maxsize=MOLDS_KEPT)
def rate_mold(colours: Palette) -> str:
    """The rates of failure without their rows and ends."""
    y, scale = label_axis(), alt.Scale(domain=[0, 1], nice=True)
    x = alt.X(
        "rate_ratio_mean:Q",
        scale=scale,
        axis=alt.Axis(
            title="failures, as a multiple of the rate of like units (1 = ordinary, 3 = the mark for watching)"
        ),
    )
    tip = [
        alt.Tooltip("label:N", title="unit"),
        alt.Tooltip("faults:Q"),
        alt.Tooltip("rate_ratio_mean:Q", format=".1f"),
    ]
    layers = [
        base("guides").mark_rule(color=colours.faint, strokeDash=[2, 3]).encode(x="v:Q"),
        base("units")
        .mark_rule(color=colours.stakes[2], strokeWidth=4)
        .encode(x=alt.X("rate_ratio_low:Q", scale=scale), x2="rate_ratio_high:Q", y=y),
        base("units").mark_point(filled=True, size=70, color=colours.ink, opacity=1).encode(x=x, y=y, tooltip=tip),
    ]
    return json.dumps(finish(alt.layer(*layers), colours).to_dict())
