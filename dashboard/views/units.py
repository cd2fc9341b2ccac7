"""Which units keep failing, and whose clock or counter is off?"""

import polars as pl
import streamlit as st

from dashboard import charts, figures, further, listing, panels, reasons, theme, words
from dashboard.data import Picture, once
from dashboard.theme import Palette
from pipeline.estimates.failures import repeats

DRAWN = 15  # units drawn [count]


@once
def ranked(picture: Picture) -> pl.DataFrame:
    """The units by rank, with a label and their type."""
    named = figures.names(picture)
    types = picture.known.units.select("unit_id", "type")
    frame = picture.answer("repeats").sort("rank").join(types, on="unit_id", how="left", maintain_order="left")
    label = pl.struct("unit_id", "site_id").map_elements(
        lambda u: f"{u['unit_id']} {named.get(u['site_id'], u['site_id'] or 'depot')}", return_dtype=pl.String
    )
    return frame.with_columns(label=label)


@once
def bars(picture: Picture, colours: Palette) -> dict:
    """How often the worst units fail, as a chart."""
    failing = ranked(picture).filter(pl.col("faults") > 0)
    return charts.rate_bars(failing.head(DRAWN), colours)


@once
def listed(picture: Picture, most: int | None) -> pl.DataFrame:
    """The table of the units, the worst first: so many, or all."""
    return panels.said(
        [
            {
                "Rank": r["rank"],
                "Unit": r["label"],
                "Type": words.TYPES.get(r["type"], r["type"]),
                "Standing": words.REPEATS[r["standing"]],
                "Faults": r["faults"],
                "Expected of its like": round(r["expected_faults"], 1),
                "Times the fleet's rate (5–95 %)": f"{r['rate_ratio_mean']:.1f} "
                f"({r['rate_ratio_low']:.1f}–{r['rate_ratio_high']:.1f})",
                "Chance over 3 times": words.percent(r["chance_over_3"]),
                "q": round(r["q_value"], 3),
                "Ballots": words.count(r["exposure_ballots"]),
                "Hours": round(r["exposure_hours"], 1),
            }
            for r in listing.head(ranked(picture), most).iter_rows(named=True)
        ]
    )


@once
def odd(picture: Picture) -> pl.DataFrame:
    """Units whose clock is off or whose counts are odd, the clocks furthest off first."""
    frame = picture.answer("reports").filter(~pl.col("basis").is_in(["nothing odd", "no report yet"]))
    size = pl.col("clock_offset_minutes").abs().fill_null(0.0)
    return frame.sort(size, "unit_id", descending=[True, False])


@once
def oddities(picture: Picture, most: int | None) -> pl.DataFrame:
    """The table of the same: so many, or all."""
    named = figures.names(picture)
    return panels.said(
        [
            {
                "Unit": r["unit_id"],
                "Site": named.get(r["site_id"], r["site_id"] or "depot"),
                "What is odd": words.capital(r["basis"]),
                "Newest report": words.clock(r["last_at"], picture.zone, picture.at),
            }
            for r in listing.head(odd(picture), most).iter_rows(named=True)
        ]
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Units", anchor=False)
    units = ranked(picture)
    counts = {s: units.filter(pl.col("standing") == s).height for s in words.REPEATS}
    panels.facts(
        [
            (str(counts["confirmed"]), "units confirmed to fail more often than their like"),
            (str(counts["watch"]), "units to watch"),
            (str(counts["ordinary"]), f"ordinary, of {units.height}"),
            (str(int(units["faults"].sum())), "faults so far, each counted once"),
        ]
    )
    panels.markup(
        f'<p class="small">{words.safe(repeats.caution(units))} “Ordinary” is not a clean bill; “confirmed” is strict, '
        "so that few good units are accused.</p>"
    )
    panels.heading("Units that fail again")
    failing = units.filter(pl.col("faults") > 0)
    if failing.is_empty():
        panels.empty(f"No fault of a unit is known. {panels.last_came(picture, 'status')}")
    else:
        panels.chart(
            bars(picture, theme.palette()),
            "Failure rates of the worst units over the fleet's, as intervals; the table says the same.",
        )
    if units.is_empty():
        panels.empty("No unit is known yet: the roster has not been received.")
    else:
        listing.table(lambda most: listed(picture, most), units.height, "units-table", "those that fail most first")
    reasons.behind(picture, "repeats")
    panels.heading("Clocks that are off, and counters that began again")
    marked = odd(picture)
    if marked.is_empty():
        panels.empty(f"Every unit's clock passes, and no count is odd. {panels.last_came(picture, 'status')}")
    else:
        panels.markup(
            '<p class="small">A clock is off by what its reports seem to come too early or too late; times on the '
            "board are corrected by that much. What a counter had before it began again is "
            "not lost: the runs are added.</p>"
        )
        listing.table(
            lambda most: oddities(picture, most),
            marked.height,
            "clocks-table",
            "the clocks that are furthest off first",
        )
    reasons.behind(picture, "reports")
    further.table(
        picture,
        "swaps",
        "Swaps proposed",
        "Units that would better be replaced by a spare, the best first; the election official decides.",
        "No swap would save anything now.",
    )
    further.table(
        picture,
        "kinds",
        "Faults by class",
        "Each unit's faults of one class beside those of its like.",
        "No fault is known.",
    )
    further.table(
        picture, "fixes", "Do fixes hold?", "Share of fixes that hold for an hour.", "No unit has been fixed yet."
    )


page(panels.shown())
