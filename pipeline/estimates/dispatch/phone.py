"""What is done by telephone: every open ticket by what is at stake, with who has to hear of it first.

It stands in for a plan where there is no rover at all, and says of each call that no rover answers where it goes.
"""

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.cautions import CONDUCT, DANGER, LEGAL, caution_for, danger
from pipeline.estimates.dispatch.decisions import decisions
from pipeline.estimates.dispatch.skills import SKILLS

COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "rank": pl.Int64,
    "ticket_id": pl.String,
    "site_id": pl.String,
    "category": pl.String,
    "severity": pl.Int64,
    "opened_at": pl.Datetime("us", "UTC"),
    "voter_minutes_at_risk": pl.Float64,
    "advice": pl.String,
    "caution": pl.String,
}


def phone_list(known: Known, tickets: pl.DataFrame) -> pl.DataFrame:
    """The open tickets as calls to make: danger first, then voting stopped, then by voter-minutes at risk.

    A ticket that repeats another is left out: one call answers both.
    """
    away = danger(tickets, decisions(known).cleared)["ticket_id"].to_list()
    rows = tickets.filter(
        (pl.col("status") != "resolved") & (pl.col("same_as").is_null() | pl.col("ticket_id").is_in(away))
    )
    ranked = rows.sort(
        ~pl.col("ticket_id").is_in(away),
        pl.col("severity") > 1,
        -pl.col("voter_minutes_at_risk").fill_null(0.0),
        "severity",
        "opened_at",
        "ticket_id",
    )
    found = [
        {name: row.get(name) for name in COLUMNS}
        | {
            "rank": rank,
            "advice": advice(row["category"], row["ticket_id"] in away),
            "caution": caution_for(list(row["categories"] or [row["category"]])),
        }
        for rank, row in enumerate(ranked.iter_rows(named=True), start=1)
    ]
    return pl.DataFrame(found, schema=COLUMNS, orient="row")


def advice(category: str, is_danger: bool) -> str:
    """What to do about a ticket by telephone."""
    if is_danger:
        return DANGER
    if category == "conduct":
        return CONDUCT
    if category == "procedure":
        return LEGAL
    if category in SKILLS:
        return "Call: can it be put right by telephone? If not, a rover is needed."
    return "Call the place and tell the election official."
