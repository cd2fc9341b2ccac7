"""The county as a map of points: no street map is fetched, so that it works offline."""

import json
import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Literal

import altair as alt
import polars as pl

from dashboard import figures
from dashboard.charts import MOLDS_KEPT, base, filled, finish
from dashboard.data import Picture, once
from dashboard.outlines import outline
from dashboard.theme import Palette

MAP_SHARE = 0.75  # of a map's height, that its sites take
ROVER_PX = 60.0  # room of a rover's square and name [px]
LEAST_TOP = 100.0  # end of the scale of stakes while nothing is at stake [voter-minutes]
MAP_HEIGHT = 430
LABELLED = 7  # sites with their name on the map [count]
ROVER_PARTS = ("rover_id", "doing", "to", "latitude", "longitude", "to_latitude", "to_longitude")
SITE_PARTS = ["name", "longitude", "latitude", "expected_voters", "battery", "dark"]  # that are sent to the screen
LETTER_PX, LABEL_ABOVE_PX = 6.3, 15.0  # width of a letter, distance of a name from its dot [px]


SHADES = {  # column → what the shade then says
    "stake": "voter-minutes at risk, next hour",
    "waiting": "people waiting",
    "wait": "wait of a newcomer, min",
    "tickets": "open tickets",
    "off": "units off mains",
}


def county_map(
    sites: pl.DataFrame,
    rovers: Sequence[dict[str, Any]],
    colours: Palette,
    height: int = MAP_HEIGHT,
    by: str = "stake",
    outline: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Sites where they lie: area = voters expected, fill = `by`, ring = power out; rovers as squares with a leg.

    Parameters
    ----------
    by : a key of `SHADES`
    outline : GeoJSON features drawn beneath, such as a county's border or its roads
    """
    rows = sites.with_columns(
        stake_said=(pl.col("stake") / 10).round() * 10, off=(pl.col("battery") + pl.col("dark"))
    ).sort("stake")
    rows = rows.with_columns(shade=pl.col(by).cast(pl.Float64).fill_null(0.0))
    dots = rows.select(*SITE_PARTS, "stake", "stake_said", "shade", "off").to_dicts()
    rovers = [{part: r[part] for part in ROVER_PARTS} for r in rovers]  # times are drawn nowhere
    here = [r for r in rovers if r["doing"] != "off shift"]
    crowded = left_of_another(here, degrees(dots, height))
    drawn = filled(
        map_mold(colours, height, by),
        {
            "outline": list(outline),
            "going": [r for r in rovers if r["to_latitude"] is not None],
            "off": [r for r in dots if r["off"] > 0],
            "dots": dots,
            "here": here,
            "free": [r for r in here if r["rover_id"] not in crowded],
            "crowded": [r for r in here if r["rover_id"] in crowded],
            "named": readable([r for r in reversed(dots) if r["stake"] > 0], here, height),
        },
    )
    fill = next(layer["encoding"]["color"] for layer in drawn["layer"] if "color" in layer.get("encoding", {}))
    fill["scale"]["domain"] = [0, max([LEAST_TOP if by == "stake" else 1.0, *rows["shade"].to_list()])]
    return drawn


@lru_cache(maxsize=MOLDS_KEPT)
def map_mold(colours: Palette, height: int, by: str) -> str:
    """A map without its rows and the end of its scale."""
    at = {"longitude": "longitude:Q", "latitude": "latitude:Q"}
    fill = alt.Color(
        "shade:Q",
        scale=alt.Scale(type="sqrt", domain=[0, 1], range=list(colours.stakes)),
        legend=alt.Legend(
            title=SHADES[by],
            titleLimit=260,
            orient="top",
            direction="horizontal",
            gradientLength=150,
            tickCount=3,
        ),
    )
    size = alt.Size("expected_voters:Q", scale=alt.Scale(range=[40, 420]), legend=None)
    tip = [
        alt.Tooltip("name:N", title="site"),
        alt.Tooltip("stake_said:Q", title="voter-minutes, next hour", format=",.0f"),
        alt.Tooltip("expected_voters:Q", title="voters expected", format=",.0f"),
        alt.Tooltip("battery:Q", title="units on battery"),
        alt.Tooltip("dark:Q", title="units dark"),
    ]
    beneath = base("outline").mark_geoshape(fill=None, stroke=colours.faint, strokeWidth=0.8)
    layers = [
        beneath,
        base("going")
        .mark_rule(color=colours.accent, strokeDash=[4, 3], strokeWidth=1.4)
        .encode(longitude="longitude:Q", latitude="latitude:Q", longitude2="to_longitude:Q", latitude2="to_latitude:Q"),
        base("off").mark_point(shape="circle", size=620, color=colours.ink, strokeWidth=2).encode(**at),
        base("dots")
        .mark_circle(opacity=1, stroke=colours.ink, strokeWidth=0.6)
        .encode(**at, size=size, color=fill, tooltip=tip),
        base("here")
        .mark_square(size=120, color=colours.accent, opacity=1)
        .encode(**at, tooltip=["rover_id:N", "doing:N", "to:N"]),
        rover_names("free", "left", colours).encode(**at),
        rover_names("crowded", "right", colours).encode(**at),
        base("named").mark_text(dy=-LABEL_ABOVE_PX, fontSize=11, color=colours.ink).encode(**at, text="name:N"),
    ]
    return json.dumps(finish(alt.layer(*layers).project(type="mercator"), colours, height).to_dict())


@once
def drawn(picture: Picture, colours: Palette, height: int, by: str = "stake") -> dict[str, Any]:
    """The map of a picture, on the county's own outline where it has one, as the specification that is drawn."""
    features, _ = outline(picture.folder)
    return county_map(figures.stakes(picture), figures.rover_places(picture), colours, height, by, features)


def degrees(spots: Sequence[dict[str, Any]], height: int) -> float:
    """How many px a degree of latitude takes on a map, about."""
    north = [s["latitude"] for s in spots] or [0.0]
    return height * MAP_SHARE / ((max(north) - min(north)) or 1.0)


def left_of_another(rovers: Sequence[dict[str, Any]], degree: float) -> set[str]:
    """The rovers whose name at the right would lie on another rover; it goes to the left of them."""
    return {
        r["rover_id"]
        for r in rovers
        for o in rovers
        if 0 < (o["longitude"] - r["longitude"]) * degree < ROVER_PX
        and abs(o["latitude"] - r["latitude"]) * degree < ROVER_PX / 3
    }


def rover_names(rovers: str, side: Literal["left", "right"], colours: Palette) -> alt.Chart:
    """The rovers' ids beside their squares."""
    dx = 9 if side == "left" else -9
    return (
        base(rovers)
        .mark_text(align=side, dx=dx, dy=1, fontWeight="bold", color=colours.accent)
        .encode(text="rover_id:N")
    )


def readable(sites: Sequence[dict[str, Any]], rovers: Sequence[dict[str, Any]], height: int) -> list[dict[str, Any]]:
    """The sites to be named, the most at stake first, leaving out those whose name would lie on another's."""
    if not sites:
        return []
    degree = degrees(sites, height)
    flat = math.cos(math.radians(sites[0]["latitude"]))
    taken = [(r["longitude"] * degree * flat + 24, r["latitude"] * degree, 24.0) for r in rovers]
    named: list[dict[str, Any]] = []
    for site in sites:
        half = len(site["name"]) * LETTER_PX / 2
        x, y = site["longitude"] * degree * flat, site["latitude"] * degree + LABEL_ABOVE_PX
        if all(abs(x - a) > half + b or abs(y - c) > LETTER_PX * 2 for a, c, b in taken):
            named.append(site)
            taken.append((x, y, half))
        if len(named) == LABELLED:
            break
    return named
