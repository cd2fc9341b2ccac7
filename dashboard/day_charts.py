"""What happened at one place, as panels on one time axis: moments as ticks, stretches as bars, totals as steps."""

import json
from datetime import datetime
from functools import lru_cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts import (
    LINE_PX,
    MOLDS_KEPT,
    SOME_DAY,
    axis_ends,
    base,
    ending,
    filled,
    finish,
    listed,
    records,
    rule,
    stretch_axis,
    time_axis,
    wall,
)
from dashboard.theme import Palette

SHARED_AXIS_PX = 124  # the same where panels with words at the left share a time axis
SHARED: dict[str, Any] = {"minExtent": SHARED_AXIS_PX, "maxExtent": SHARED_AXIS_PX}
NAME_SHARE = 0.12  # of a counter panel's height, that a name takes


def event_panel(
    events: pl.DataFrame, at: datetime, domain: tuple[datetime, datetime], zone: str, colours: Palette, row: str
) -> dict[str, Any]:
    """Moments as ticks, a row a kind (`row`), with `said` on hover."""
    kinds = events[row].unique(maintain_order=True).to_list()
    mold = event_mold(colours, row, "is_open" in events.columns)
    drawn = filled(mold, {"events": records(events, zone), "now": [{"x": wall(at, zone)}]})
    return listed(drawn, kinds, axis_ends(domain, zone), 22 * max(len(kinds), 1) + 26)


@lru_cache(maxsize=MOLDS_KEPT)
def event_mold(colours: Palette, row: str, has_open: bool) -> str:
    """Moments without their rows and times."""
    still = alt.condition("datum.is_open", alt.value(colours.stakes[2]), alt.value(colours.estimate))
    marks = (
        base("events")
        .mark_tick(thickness=3, size=14, clip=True)
        .encode(
            x=time_axis("at", SOME_DAY, "UTC"),
            y=row_axis(row),
            color=still if has_open else alt.value(colours.estimate),
            tooltip=[alt.Tooltip("at:T", title="at", format="%H:%M"), alt.Tooltip("said:N", title="what")],
        )
    )
    return json.dumps(finish(alt.layer(marks, now_mold(colours)), colours).to_dict())


def row_axis(row: str) -> alt.Y:
    """The axis of kinds, beside panels that share a time axis; `listed` gives their order."""
    return alt.Y(f"{row}:N", sort=[""], axis=alt.Axis(title=None, labelLimit=SHARED_AXIS_PX, grid=False, **SHARED))


def now_mold(colours: Palette) -> alt.Chart:
    """The thin rule that says now, without its time."""
    return rule(base("now"), colours).encode(x=time_axis("x", SOME_DAY, "UTC"))


def span_panel(
    spans: pl.DataFrame, at: datetime, domain: tuple[datetime, datetime], zone: str, colours: Palette, row: str
) -> dict[str, Any]:
    """Stretches of time as bars, a row a kind; `state` chooses the shade (battery, dark or visit)."""
    kinds = spans[row].unique(maintain_order=True).to_list()
    drawn = filled(span_mold(colours, row), {"spans": records(spans, zone), "now": [{"x": wall(at, zone)}]})
    return listed(drawn, kinds, axis_ends(domain, zone), 22 * max(len(kinds), 1) + 26)


@lru_cache(maxsize=MOLDS_KEPT)
def span_mold(colours: Palette, row: str) -> str:
    """Stretches of time without their rows and times."""
    shades = {"battery": colours.stakes[1], "dark": colours.stakes[4], "visit": colours.accent}
    scale = alt.Scale(domain=list(shades), range=list(shades.values()))
    bars = (
        base("spans")
        .mark_bar(height=11, clip=True)
        .encode(
            x=stretch_axis("start"),
            x2="end:T",
            y=row_axis(row),
            color=alt.Color("state:N", scale=scale, legend=None),
            tooltip=[alt.Tooltip("said:N", title="what")],
        )
    )
    return json.dumps(finish(alt.layer(bars, now_mold(colours)), colours).to_dict())


def counter_panel(
    reports: pl.DataFrame, at: datetime, domain: tuple[datetime, datetime], zone: str, colours: Palette
) -> dict[str, Any]:
    """Running totals of units as steps, each named at its end. Counts of ballots read, never votes."""
    ends = apart(records(reports.sort("at").group_by("unit_id", maintain_order=True).last(), zone))
    rows = {"totals": records(reports, zone), "ends": ends, "now": [{"x": wall(at, zone)}]}
    return ending(filled(counter_mold(colours), rows), axis_ends(domain, zone))


@lru_cache(maxsize=MOLDS_KEPT)
def counter_mold(colours: Palette) -> str:
    """Running totals without their rows and times."""
    y = alt.Y("total:Q", axis=alt.Axis(title=None, tickCount=4, **SHARED))
    x = time_axis("at", SOME_DAY, "UTC")
    layers = [
        base("totals")
        .mark_line(interpolate="step-after", strokeWidth=LINE_PX, color=colours.estimate)
        .encode(x=x, y=y, detail="unit_id:N", tooltip=["unit_id:N", alt.Tooltip("at:T", format="%H:%M"), "total:Q"]),
        base("ends").mark_text(align="left", dx=5, color=colours.ink).encode(x=x, y="label_at:Q", text="unit_id:N"),
        now_mold(colours),
    ]
    return json.dumps(finish(alt.layer(*layers), colours, 140).to_dict())


def apart(ends: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The ends of curves with a height for their names, so that no name lies on another."""
    top = max([1.0, *(e["total"] for e in ends)])
    floor = 0.0
    for end in sorted(ends, key=lambda e: (e["total"], e["unit_id"])):
        end["label_at"] = max(float(end["total"]), floor)
        floor = end["label_at"] + top * NAME_SHARE
    return ends
