"""What has come in, what was refused and why, and how old is each feed?"""

import polars as pl
import streamlit as st

from dashboard import entering, figures, filed, listing, panels, reasons, words
from dashboard.data import Picture
from pipeline.contracts.feeds import schema_of
from pipeline.store.mend import ACTION

OUTCOMES = ("read", "accepted", "already_known", "superseded", "quarantined")


def by_kind(picture: Picture) -> None:
    """Rows by outcome and age for each kind of feed."""
    kinds = picture.receipts.with_columns(pl.col("kind").fill_null("not known"))
    sums = (
        kinds.group_by("kind")
        .agg(pl.len(), pl.col(OUTCOMES).sum(), pl.col("received_at").max(), pl.col("refused").count())
        .sort("kind")
    )
    panels.table(
        (
            "Feed",
            "Files",
            "Newest file",
            "Age",
            "Rows read",
            "Accepted",
            "Already known",
            "Superseded",
            "Quarantined",
            "Files refused",
        ),
        [
            (
                words.KINDS.get(r["kind"], r["kind"]),
                r["len"],
                words.clock(r["received_at"], picture.zone, picture.at),
                words.age(r["received_at"], picture.at),
                *(words.count(r[o]) for o in OUTCOMES),
                r["refused"],
            )
            for r in sums.iter_rows(named=True)
        ],
        (1, 4, 5, 6, 7, 8, 9),
    )


def in_quarantine(picture: Picture, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in quarantine as a table."""
    return panels.said(
        [
            {
                "File": r["file"],
                "Row": r["row"],
                "Column": r["column"],
                "Value (masked)": r["value"],
                "Reason": r["reason"],
                "Received": words.clock(r["received_at"], picture.zone, picture.at),
            }
            for r in rows.iter_rows(named=True)
        ]
    )


def in_words(picture: Picture, receipts: pl.DataFrame) -> pl.DataFrame:
    """Receipts as a table."""
    return panels.said(
        [
            {
                "File": r["file"],
                "Feed": words.KINDS.get(r["kind"], r["kind"]) if r["kind"] else None,
                "Received": words.clock(r["received_at"], picture.zone, picture.at),
                **{words.capital(o.replace("_", " ")): r[o] for o in OUTCOMES},
            }
            for r in receipts.iter_rows(named=True)
        ]
    )


def mend(picture: Picture, kept: pl.DataFrame) -> None:
    """Corrects a row in quarantine by an entry of its own; the original stays as it came."""
    rows = {
        f"{r['file']}, row {r['row']}: {r['column'] or 'the whole row'}, {r['reason']}": r
        for r in kept.iter_rows(named=True)
        if r["kind"] and "no roster lists" not in r["reason"]
    }
    chosen = st.selectbox("Mend a row", list(rows), index=None, placeholder="Choose a row to correct", key="mend")
    if chosen is None:
        return
    row = rows[chosen]
    columns = list(schema_of(row["kind"]).columns)
    with st.form("mend-form", border=False):
        one, two, three = st.columns([0.25, 0.35, 0.4])
        place = columns.index(row["column"]) if row["column"] in columns else 0
        column = one.selectbox("Column", columns, index=place)
        value = two.text_input("Right value", placeholder=f"instead of {row['value']}")
        why = three.text_input("Why this is right", placeholder="who said so")
        if st.form_submit_button("Save the correction"):
            sha = filed.sha_of(picture, row["file"], row["row"])
            if not value.strip() or not why.strip() or sha is None:
                panels.markup('<div class="wb-notice">Not kept: a value and a reason are needed.</div>')
            else:
                entering.keep(ACTION, f"{sha} row {row['row']}", {"set": {column: value.strip()}, "why": why})


def page(picture: Picture) -> None:
    """The page."""
    st.title("Intake", anchor=False)
    if picture.receipts.is_empty():
        panels.empty("No file has been taken in.")
    else:
        newest = figures.newest(picture.receipts["received_at"])
        totals = {o: int(picture.receipts[o].sum()) for o in OUTCOMES}
        refused = picture.receipts.filter(pl.col("refused").is_not_null())
        panels.facts(
            [
                (
                    words.count(picture.receipts.height),
                    f"files, newest {words.clock(newest, picture.zone, picture.at)}",
                ),
                (words.count(totals["read"]), "rows read"),
                (words.count(totals["accepted"]), "rows accepted"),
                (words.count(totals["already_known"]), "already known"),
                (words.count(totals["superseded"]), "superseded an earlier state"),
                (words.count(totals["quarantined"]), "went to quarantine"),
                (words.count(refused.height), "files refused whole"),
            ]
        )
        panels.heading("By feed")
        by_kind(picture)
        panels.heading("In quarantine, with the reason")
        kept = filed.quarantine(picture)
        if kept.is_empty():
            panels.empty("No row is in quarantine.")
        else:
            listing.table(
                lambda most: in_quarantine(picture, listing.head(kept, most)),
                kept.height,
                "quarantine-table",
                "in the order of their receipt",
            )
            reasons.download(picture, kept, "quarantine")
        if kept.height and picture.is_live:
            mend(picture, kept)
        if refused.height:
            panels.heading("Refused whole")
            panels.table(("File", "Reason"), [(r["file"], r["refused"]) for r in refused.iter_rows(named=True)])
        panels.heading("Receipts, newest first")
        receipts = picture.receipts.sort("received_at", "file", descending=True)
        listing.table(
            lambda most: in_words(picture, listing.head(receipts, most)),
            receipts.height,
            "receipts-table",
            "the newest first",
            320,
        )
        reasons.download(picture, receipts, "receipts")


page(panels.shown())
