"""Where is what at stake?"""

import polars as pl
import streamlit as st

from dashboard import figures, listing, maps, outlines, panels, reasons, theme, words
from dashboard.data import Picture, once

MOST = 9  # sites in the short table [count]


def rover_said(picture: Picture, rover: dict) -> tuple[str, str, str, str]:
    """A rover in a row: what it does, where it is known to be since when, where it goes."""
    since = f", {words.clock(rover['since'], picture.zone, picture.at)}" if rover["since"] else ""
    return rover["rover_id"], rover["doing"], rover["place"] + since, rover["to"] or "no stop proposed"


@once
def every_site(picture: Picture, most: int | None) -> pl.DataFrame:
    """The table of the sites, the most at stake first: so many, or all."""
    return panels.said(
        [
            {
                "Site": row["name"],
                "Id": row["site_id"],
                "Stands": row["state"],
                "Voter-minutes at risk, next hour": round(row["stake"]),
                "People waiting, median": None if row["waiting"] is None else round(row["waiting"]),
                "Wait of a newcomer, min": None if row["wait"] is None else round(row["wait"]),
                "Open tickets": row["tickets"],
                "Units on battery": row["battery"],
                "Units dark": row["dark"],
                "Circuit": row["circuit"],
                "Voters expected": round(row["expected_voters"]),
            }
            for row in listing.head(figures.stakes(picture), most).iter_rows(named=True)
        ]
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Map", anchor=False)
    stakes = figures.stakes(picture)
    rovers = figures.rover_places(picture)
    if stakes.is_empty():
        panels.empty("No site is known yet: the roster has not been received.")
    else:
        left, right = st.columns([0.6, 0.4], gap="medium")
        with left:
            by = st.selectbox("Shade the sites by", list(maps.SHADES), format_func=maps.SHADES.__getitem__, key="shade")
            _, trouble = outlines.outline(picture.folder)
            if trouble:
                panels.empty(trouble)
            panels.chart(
                maps.drawn(picture, theme.palette(), 500, by),
                "Map of the sites by what is at stake; the tables say the same.",
            )
        with right:
            panels.heading("Most at stake")
            panels.table(
                ("Site", "Stands", "Voter-minutes, next hour", "Newcomer's wait, min", "Off mains"),
                [
                    (
                        row["name"],
                        row["state"],
                        words.rough(row["stake"]),
                        "no line" if row["wait"] is None else words.count(row["wait"]),
                        row["battery"] + row["dark"],
                    )
                    for row in stakes.head(MOST).iter_rows(named=True)
                ],
                (2, 3, 4),
            )
            panels.heading("Circuits out")
            out = figures.outages(picture)
            if out.is_empty():
                panels.empty(f"The utility lists no circuit as out. {panels.last_came(picture, 'outages')}")
            else:
                panels.table(
                    ("Circuit", "Since", "Power promised", "Sites on it"),
                    [
                        (
                            r["circuit"],
                            words.clock(r["started_at"], picture.zone, picture.at),
                            words.clock(r["estimated_restoration_at"], picture.zone, picture.at),
                            stakes.filter(pl.col("circuit") == r["circuit"]).height,
                        )
                        for r in out.iter_rows(named=True)
                    ],
                    (3,),
                    6,
                )
            panels.heading("Rovers")
            if rovers:
                panels.table(
                    ("Rover", "Doing", "Last known place", "Next leg to"), [rover_said(picture, r) for r in rovers]
                )
            else:
                panels.empty("No rover is in the roster.")
        panels.markup(
            '<p class="small">Each dot is a site: its area the voters expected today, its shade what is chosen above '
            "(at risk: the larger of what open tickets put at risk and what the lines will cost). A ring: a unit "
            "there is off mains; a dashed one: its circuit is out by the utility’s list. A triangle: danger to people "
            "is reported there; a diamond: voting is suspended. "
            f"{maps.others_said(stakes.height)}Blue squares are rovers, dashed their next leg. "
            "North is up; a file <code>map.geojson</code> in the book’s folder is drawn beneath.</p>"
        )
        panels.heading("Every site")
        listing.table(lambda most: every_site(picture, most), stakes.height, "map-table", "the most at stake first")
        reasons.numbers(picture, figures.stakes(picture), "stakes")
        for what in ("lines", "tickets"):
            reasons.behind(picture, what)


page(panels.shown())
