"""Estimates shown as they are, each under its heading with what it means and what it stands on."""

from collections.abc import Sequence

import polars as pl

from dashboard import figures, listing, panels, reasons, tables, words
from dashboard.data import Picture, once
from pipeline.contracts.estimates import ESTIMATES

# What stands first, in words; by which columns, the largest first
ORDERS: dict[str, tuple[str, tuple[pl.Expr, ...]]] = {
    "exposure": ("the costliest first", (pl.col("expected_voter_minutes"), pl.col("chance_off"))),
    "custody": ("gaps, then what is overdue, first", (pl.col("broken").is_not_null(), pl.col("is_overdue"))),
    "finish": ("the latest first", (pl.col("done_at_mean"),)),
    "kinds": ("those that fail most first", (pl.col("chance_over_3"),)),
    "circuits": (
        "those that are out first",
        (pl.col("outage_id").is_not_null(), pl.col("units_off"), pl.col("expected_voter_minutes")),
    ),
}
SENDS = ("remedies", "swaps")  # what somebody would have to go to a place for


@once
def ordered(picture: Picture, what: str) -> pl.DataFrame:
    """An estimate, what matters most first; where that order is not known, as it was made.

    What would send somebody to a place where danger is reported is left out.
    """
    frame = picture.answer(what)
    if what in SENDS:
        frame = frame.filter(~pl.col("site_id").is_in(list(figures.danger_sites(picture))))
    by = ORDERS[what][1] if what in ORDERS else ()
    return frame.sort(by, descending=True, nulls_last=True, maintain_order=True) if by else frame


@once
def estimate(picture: Picture, what: str, leave_out: tuple[str, ...], most: int | None) -> pl.DataFrame:
    """An estimate as a table's frame: so many rows, or all."""
    return panels.said(tables.shown(picture, listing.head(ordered(picture, what), most), leave_out))


def table(
    picture: Picture, what: str, title: str, lead: str, empty: str, leave_out: Sequence[str] = (), height: int = 240
) -> None:
    """An estimate under its heading, with what it means; left out where this version has no such estimate."""
    if what not in ESTIMATES:
        return
    panels.heading(title)
    frame, left_out = ordered(picture, what), []
    if what in SENDS:
        told_of = set(picture.answer(what)["site_id"])
        left_out = sorted(told_of & figures.danger_sites(picture))
    if left_out:
        named = ", ".join(figures.names(picture).get(site, site) for site in left_out)
        panels.markup(
            f'<p class="danger">Left out, as danger is reported there and nobody is sent until it is cleared: '
            f"{words.safe(named)}</p>"
        )
    if frame.is_empty():
        if not left_out:
            panels.empty(empty)
        return
    panels.markup(f'<p class="small">{words.safe(lead)}</p>')
    if "caution" in frame.columns:  # in full, where it is read, and not in a cell that cuts it
        for text in frame["caution"].drop_nulls().unique(maintain_order=True):
            panels.caution(text)
        leave_out = (*leave_out, "caution")
    out = tuple(leave_out)
    order = ORDERS[what][0] if what in ORDERS else "in the order of the file"
    listing.table(lambda most: estimate(picture, what, out, most), frame.height, f"{what}-table", order, height)
    reasons.behind(picture, what)
