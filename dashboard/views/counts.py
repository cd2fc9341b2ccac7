"""Do the counts of the day agree, and where they do not, why?"""

import polars as pl
import streamlit as st

from dashboard import figures, listing, panels, reasons, words
from dashboard.data import Picture, once

ORDER = {"differs": 0, "incomplete": 1, "agrees": 2}


@once
def listed(picture: Picture, most: int | None) -> pl.DataFrame:
    """The sites that have reported, the open questions first: so many, or all."""
    named, found = figures.names(picture), picture.answer("reconciliation")
    rows = sorted(found.to_dicts(), key=lambda r: (ORDER[r["standing"]], -abs(r["difference"] or 0), r["site_id"]))
    return panels.said(
        [
            {
                "Site": named.get(r["site_id"], r["site_id"]),
                "Standing": words.COUNTS[r["standing"]],
                "Checked in": words.count(r["checked_in"]),
                "Accounted for": words.count(r["accounted_for"]),
                "Difference": words.count(r["difference"]),
                "Likeliest cause": words.CAUSES.get(r["likely_cause"] or "", "nothing differs"),
                "In words": r["explanation"],
            }
            for r in rows[:most]
        ]
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Counts", anchor=False)
    found = picture.answer("reconciliation")
    total = picture.known.sites.height
    if found.is_empty():
        panels.empty(f"No site has reported its end-of-day counts yet. {panels.last_came(picture, 'reconciliation')}")
    else:
        panels.facts(
            [(str(found.filter(found["standing"] == s).height), f"sites: {said}") for s, said in words.COUNTS.items()]
            + [(str(total - found.height), "sites have not reported")]
        )
        panels.markup(
            '<p class="small">Counts of people and ballots, never of votes, and unofficial. A difference is a '
            "question to the site, not a finding: two people count again, and the election official decides.</p>"
        )
        listing.table(
            lambda most: listed(picture, most), found.height, "counts-table", "open questions first", 470, "Site"
        )
        reasons.behind(picture, "reconciliation")


page(panels.shown())
