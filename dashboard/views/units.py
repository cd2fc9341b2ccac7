"""Which units keep failing, and what runs short?"""

import polars as pl
import streamlit as st

from dashboard import charts, figures, panels, theme, words
from dashboard.data import Picture

DRAWN = 15  # units drawn [count]


def ranked(picture: Picture) -> pl.DataFrame:
    """The units by rank, with a label and their type."""
    named = figures.names(picture)
    types = picture.known.units.select("unit_id", "type")
    frame = picture.answer("repeats").sort("rank").join(types, on="unit_id", how="left", maintain_order="left")
    label = pl.struct("unit_id", "site_id").map_elements(
        lambda u: f"{u['unit_id']} {named.get(u['site_id'], u['site_id'] or 'depot')}", return_dtype=pl.String
    )
    return frame.with_columns(label=label)


def supplies(picture: Picture) -> None:
    """What fills up or runs out, the likeliest first."""
    rows = picture.answer("supplies").sort("chance_full", "full_at_mean", descending=[True, False], nulls_last=True)
    if rows.is_empty():
        panels.empty(f"No bin, paper or ballots are known of. {panels.last_came(picture, 'status')}")
        return
    named = figures.names(picture)
    panels.frame(
        [
            {
                "Site": named.get(r["site_id"], r["site_id"]),
                "What": f"{r['item']} {r['unit_id'] or r['style'] or ''}".strip(),
                "State": r["state"],
                "Used": words.count(r["used"]),
                "Holds": words.count(r["capacity"]),
                "Full or used up, about": words.clock(r["full_at_mean"], picture.zone, picture.at),
                "5–95 %": words.span(r["full_at_low"], r["full_at_high"], picture.zone, picture.at),
                "Chance before closing": words.percent(r["chance_full"]),
                "Stands on": r["basis"],
            }
            for r in rows.iter_rows(named=True)
        ],
        "supplies-table",
    )


picture = panels.shown()
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
    '<p class="small">One day is short: most bad units do not fail often enough in it to be told from bad luck, so '
    "“ordinary” is not a clean bill. “Confirmed” is strict, so that few good units are accused.</p>"
)
panels.heading("Units that fail again")
failing = units.filter(pl.col("faults") > 0)
if failing.is_empty():
    panels.empty(f"No fault of a unit is known. {panels.last_came(picture, 'status')}")
else:
    drawn = charts.rate_bars(failing.head(DRAWN), theme.palette())
    panels.chart(drawn, "Failure rates of the worst units over the fleet's, as intervals; the table says the same.")
if units.is_empty():
    panels.empty("No unit is known yet: the roster has not been received.")
else:
    panels.frame(
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
            for r in units.iter_rows(named=True)
        ],
        "units-table",
    )
panels.heading("Supplies")
supplies(picture)
