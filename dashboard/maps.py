"""The county as a map of points: no street map is fetched, so that it works offline."""

import json
import math
from collections.abc import Collection, Sequence
from functools import lru_cache
from typing import Any, Literal

import altair as alt
import polars as pl

from dashboard import figures, words
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
MARKED_PX2, MARKED_BELOW_PX = 260, 20.0  # area of a mark for danger or suspended voting [px²], its word beneath [px]
# That are sent to the screen.
SITE_PARTS = ["name", "longitude", "latitude", "expected_voters", "battery", "dark", "state"]
DRAWN = 300  # sites that are a dot of their own, and told of by the pointer; more would make the page slow: our choice
DOT_PX2, CROWDED_PX2 = (40, 420), (20, 130)  # area of such a dot; the same where there are others [px²]
RING_SHARE, CUT_SHARE = 1.5, 2.6  # of the largest dot's area, that a ring around it takes: unit off mains, circuit out
ON_CIRCUIT = ("name", "circuit", "longitude", "latitude")  # that are sent of sites on a circuit that is out
ROVERS_NAMED = 60  # more rovers are told of by the pointer and the table: their names would lie on each other
FAR_PX = 2.5  # radius of the dots of the others [px]
SHADE_STEPS = 5  # shades in which the others are drawn; all of one shade are one mark [count]
DEGREE_PLACES = 4  # decimals of their degrees: ten metres
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
    out: Collection[str] = (),
) -> dict[str, Any]:
    """Sites where they lie: area = voters expected, fill = `by`, ring = power out; rovers as squares with a leg.

    Parameters
    ----------
    by : a key of `SHADES`
    outline : GeoJSON features drawn beneath, such as a county's border or its roads
    out : circuits that are out, whose sites get a dashed ring
    """
    rows = sites.with_columns(
        stake_said=(pl.col("stake") / 10).round() * 10, off=(pl.col("battery") + pl.col("dark"))
    ).sort("stake")
    rows = rows.with_columns(shade=pl.col(by).cast(pl.Float64).fill_null(0.0))
    top = max([LEAST_TOP if by == "stake" else 1.0, *rows["shade"].to_list()])
    near, far = apart(rows)
    dots = near.select(*SITE_PARTS, "stake", "stake_said", "shade", "off").to_dicts()
    degree = degrees(rows["latitude"].to_list(), height)
    rovers = [{part: r[part] for part in ROVER_PARTS} for r in rovers]  # times are drawn nowhere
    here = [r for r in rovers if r["doing"] != "off shift"]
    told = here if len(here) <= ROVERS_NAMED else []
    crowded = left_of_another(told, degree)
    in_danger, suspended = marked(rows, figures.IN_DANGER), marked(rows, "suspended")
    cut = rows.filter(pl.col("circuit").is_in(list(out))).select(*ON_CIRCUIT) if out else pl.DataFrame()
    drawn = filled(
        map_mold(colours, height, by, far.height > 0),
        {
            "outline": list(outline),
            "far": crowds(far, top),
            "far_off": crowds(far.filter(pl.col("off") > 0), top),
            "going": [r for r in rovers if r["to_latitude"] is not None],
            "off": [r for r in dots if r["off"] > 0],
            "cut": cut.to_dicts(),
            "cut_named": middles(cut) if len(cut) else [],
            "dots": dots,
            "danger": in_danger,
            "suspended": suspended,
            "here": here,
            "free": [r for r in told if r["rover_id"] not in crowded],
            "crowded": [r for r in told if r["rover_id"] in crowded],
            "named": readable([r for r in reversed(dots) if r["stake"] > 0], here, degree, [*in_danger, *suspended]),
        },
    )
    for layer in drawn["layer"]:
        if "color" in layer.get("encoding", {}):
            layer["encoding"]["color"]["scale"]["domain"] = [0, top]
    return drawn


def middles(cut: pl.DataFrame) -> list[dict[str, Any]]:
    """Each circuit that is out, in the middle of its sites."""
    found = cut.group_by("circuit", maintain_order=True).agg(pl.col("longitude", "latitude").mean()).sort("circuit")
    return found.with_columns(said=pl.format("{} out", "circuit")).to_dicts()


def marked(rows: pl.DataFrame, state: str) -> list[dict[str, Any]]:
    """The sites that stand so, to be marked whatever is at stake there."""
    return rows.filter(pl.col("state") == state).select("name", "longitude", "latitude", "state").to_dicts()


def apart(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The sites that are a dot of their own, the darkest and then those off mains first; and the rest."""
    if rows.height <= DRAWN:
        return rows, rows.clear()
    first = rows.with_row_index("place").sort("shade", "off", "stake", "place", descending=[True, True, True, False])
    near = first["place"].head(DRAWN)
    is_near = pl.Series("is_near", range(rows.height)).is_in(near.implode())
    return rows.filter(is_near), rows.filter(~is_near)


def others_said(sites: int) -> str:
    """What the small dots are, on a map that has them."""
    if sites <= DRAWN:
        return ""
    return (
        f"The {DRAWN} darkest sites are drawn so; the other {words.count(sites - DRAWN)} are small dots of one size, "
        "with a heavy rim where a unit is off mains. "
    )


def crowds(rows: pl.DataFrame, top: float) -> list[dict[str, Any]]:
    """Many sites as GeoJSON, those of about the same shade as one shape, light ones first."""
    step = ((pl.col("shade") / top).sqrt() * SHADE_STEPS).floor().clip(0, SHADE_STEPS - 1)
    places = pl.concat_list(pl.col("longitude", "latitude").round(DEGREE_PLACES))
    found = rows.group_by(step.alias("step")).agg(pl.col("shade").mean(), places=places).sort("step")
    return [
        {
            "type": "Feature",
            "geometry": {"type": "MultiPoint", "coordinates": row["places"]},
            "properties": {"shade": row["shade"]},
        }
        for row in found.iter_rows(named=True)
    ]


@lru_cache(maxsize=MOLDS_KEPT)
def map_mold(colours: Palette, height: int, by: str, is_crowded: bool) -> str:
    """A map without its rows and the end of its scale."""
    at = {"longitude": "longitude:Q", "latitude": "latitude:Q"}
    shading: dict[str, Any] = {
        "scale": alt.Scale(type="sqrt", domain=[0, 1], range=list(colours.stakes)),
        "legend": alt.Legend(
            title=SHADES[by],
            titleLimit=260,
            orient="top",
            direction="horizontal",
            gradientLength=150,
            tickCount=3,
        ),
    }
    rim: dict[str, Any] = {"stroke": colours.ink, "opacity": 1}
    areas = CROWDED_PX2 if is_crowded else DOT_PX2
    size = alt.Size("expected_voters:Q", scale=alt.Scale(range=list(areas)), legend=None)
    tip = [
        alt.Tooltip("name:N", title="site"),
        alt.Tooltip("state:N", title="stands"),
        alt.Tooltip("stake_said:Q", title="voter-minutes, next hour", format=",.0f"),
        alt.Tooltip("expected_voters:Q", title="voters expected", format=",.0f"),
        alt.Tooltip("battery:Q", title="units on battery"),
        alt.Tooltip("dark:Q", title="units dark"),
    ]
    beneath = base("outline").mark_geoshape(fill=None, stroke=colours.faint, strokeWidth=0.8)
    layers = [
        beneath,
        base("far").mark_geoshape(strokeWidth=0.3, **rim).encode(color=alt.Color("properties.shade:Q", **shading)),
        base("far_off").mark_geoshape(strokeWidth=1.4, **rim).encode(color=alt.Color("properties.shade:Q", **shading)),
        base("going")
        .mark_rule(color=colours.accent, strokeDash=[4, 3], strokeWidth=1.4)
        .encode(longitude="longitude:Q", latitude="latitude:Q", longitude2="to_longitude:Q", latitude2="to_latitude:Q"),
        base("off")
        .mark_point(shape="circle", size=RING_SHARE * areas[1], color=colours.ink, strokeWidth=2)
        .encode(**at),
        base("cut")
        .mark_point(shape="circle", size=CUT_SHARE * areas[1], color=colours.ink, strokeWidth=1.6, strokeDash=[3, 3])
        .encode(**at, tooltip=[alt.Tooltip("name:N", title="site"), alt.Tooltip("circuit:N", title="circuit out")]),
        base("dots")
        .mark_circle(opacity=1, stroke=colours.ink, strokeWidth=0.6)
        .encode(**at, size=size, color=alt.Color("shade:Q", **shading), tooltip=tip),
        base("here")
        .mark_square(size=120, color=colours.accent, opacity=1)
        .encode(**at, tooltip=["rover_id:N", "doing:N", "to:N"]),
        rover_names("free", "left", colours).encode(**at),
        rover_names("crowded", "right", colours).encode(**at),
        base("named").mark_text(dy=-LABEL_ABOVE_PX, fontSize=11, color=colours.ink).encode(**at, text="name:N"),
        base("cut_named").mark_text(fontSize=11, fontWeight="bold", color=colours.ink).encode(**at, text="said:N"),
        *mark_of("suspended", "diamond", colours.ink, colours.paper, at),
        *mark_of("danger", "triangle-up", colours.danger, colours.paper, at),
    ]
    return json.dumps(
        finish(alt.layer(*layers).project(type="mercator", pointRadius=FAR_PX), colours, height).to_dict()
    )


def mark_of(rows: str, shape: str, colour: str, paper: str, at: dict[str, Any]) -> list[alt.Chart]:
    """A filled shape, and the word for it beneath; both stand out from what they lie on."""
    beneath: dict[str, Any] = {"dy": MARKED_BELOW_PX, "fontSize": 11, "fontWeight": "bold"}
    shapes = base(rows).mark_point(shape=shape, size=MARKED_PX2, fill=colour, stroke=paper, strokeWidth=1.5, opacity=1)
    halo = base(rows).mark_text(**beneath, color=paper, stroke=paper, strokeWidth=4)
    word = base(rows).mark_text(**beneath, color=colour)
    return [
        shapes.encode(**at, tooltip=["name:N", "state:N"]),
        halo.encode(**at, text="state:N"),
        word.encode(**at, text="state:N"),
    ]


@once
def drawn(picture: Picture, colours: Palette, height: int, by: str = "stake") -> dict[str, Any]:
    """The map of a picture, on the county's own outline where it has one, as the specification that is drawn."""
    features, _ = outline(picture.folder)
    sites, rovers, out = figures.stakes(picture), figures.rover_places(picture), figures.outages(picture)["circuit"]
    return county_map(sites, rovers, colours, height, by, features, set(out))


def degrees(latitudes: Sequence[float], height: int) -> float:
    """How many px a degree of latitude takes on a map, about."""
    north = latitudes or [0.0]
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


def readable(
    sites: Sequence[dict[str, Any]],
    rovers: Sequence[dict[str, Any]],
    degree: float,
    told: Sequence[dict[str, Any]] = (),
) -> list[dict[str, Any]]:
    """The sites to be named, the most at stake first, leaving out those whose name would lie on another's.

    Parameters
    ----------
    degree : how many px a degree of latitude takes
    told : sites with a word for how they stand beneath them, which no name may lie on either
    """
    if not sites:
        return []
    flat = math.cos(math.radians(sites[0]["latitude"]))
    taken = [(r["longitude"] * degree * flat + 24, r["latitude"] * degree, 24.0) for r in rovers]
    for site in told:
        x, y = site["longitude"] * degree * flat, site["latitude"] * degree
        taken += [(x, y, LETTER_PX), (x, y - MARKED_BELOW_PX, len(site["state"]) * LETTER_PX / 2)]
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
