"""Estimates shown as they are, each under its heading with what it means and what it stands on."""

from collections.abc import Sequence

import polars as pl

from dashboard import panels, reasons, tables, words
from dashboard.data import Picture, once
from pipeline.contracts.estimates import ESTIMATES


@once
def estimate(picture: Picture, what: str, leave_out: tuple[str, ...]) -> pl.DataFrame:
    """An estimate as a table's frame."""
    return panels.said(tables.shown(picture, picture.answer(what), leave_out))


def table(
    picture: Picture, what: str, title: str, lead: str, empty: str, leave_out: Sequence[str] = (), height: int = 240
) -> None:
    """An estimate under its heading, with what it means; left out where this version has no such estimate."""
    if what not in ESTIMATES:
        return
    panels.heading(title)
    frame = picture.answer(what)
    if frame.is_empty():
        panels.empty(empty)
        return
    panels.markup(f'<p class="small">{words.safe(lead)}</p>')
    if "caution" in frame.columns:  # in full, where it is read, and not in a cell that cuts it
        for text in frame["caution"].drop_nulls().unique(maintain_order=True):
            panels.caution(text)
        leave_out = (*leave_out, "caution")
    panels.frame(estimate(picture, what, tuple(leave_out)), f"{what}-table", height)
    reasons.behind(picture, what)
