"""What people say of the lines: head counts, numbers in calls, and calls about units that stand still.

A call counts at the minute at which it was made. A number that is only quoted again counts once.
"""

import numpy as np
import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.lines.observations import Roster, minute_of, site_index

# A caller's number above both, people and part of the expected voters, is misread; our choice.
MOST_SAID, MOST_SAID_SHARE = 60.0, 0.3
SITE_SURE = 0.6  # probability from which a ticket's site is believed [-]; our choice
DOWN_CATEGORIES = ("scanner-down", "scanner-jam", "memory-card")


def head_counts(known: Known, readings: pl.DataFrame, roster: Roster) -> pl.DataFrame:
    """People counted in a line, by hand or in a call: minute, site, line (0 check-in, 1 scanner), count, is_call.

    A call about a long line without a number is kept with a null count. "No ticket" is no evidence of anything.
    """
    index = site_index(roster)
    base = known.line_counts.filter(pl.col("at").is_not_null()).with_columns(minute=minute_of("at", known))
    parts = [
        base.select("site_id", "minute", count=pl.col(f"{name}_line").cast(pl.Float64), line=pl.lit(k, pl.Int64))
        .filter(pl.col("count").is_not_null())
        .with_columns(is_call=pl.lit(False))
        for k, name in enumerate(("checkin", "scanner"))
    ]
    said = known.tickets.select("ticket_id", "opened_at").join(readings, on="ticket_id")
    said = said.filter((pl.col("site_confidence") >= SITE_SURE) & pl.col("site_id").is_not_null())
    count = pl.when(pl.col("waiting_said").is_null() & pl.col("is_no_line")).then(0.0).otherwise(pl.col("waiting_said"))
    said = without_quoted(said.with_columns(count=count, minute=minute_of("opened_at", known)))
    said = said.filter(pl.col("count").is_not_null() | (pl.col("category") == "long-line"))
    # Who calls about a stopped scanner and names a number, but no line, speaks of the people who stand before it.
    at_scanner = pl.col("category").is_in(DOWN_CATEGORIES) & (pl.col("waiting_said") > 0)
    is_scanner = pl.when(pl.col("line_said").is_null()).then(at_scanner).otherwise(pl.col("line_said") == "scanner")
    line = is_scanner.fill_null(False).cast(pl.Int64)
    parts.append(said.select("site_id", "minute", "count", line=line, is_call=pl.lit(True)))
    rows = pl.concat(parts).join(index, on="site_id").filter(pl.col("minute").is_not_null())
    most = pl.Series(np.maximum(MOST_SAID, MOST_SAID_SHARE * roster.expected)).gather(rows["site"])
    rows = rows.with_columns(count=pl.when(~pl.col("is_call") | (pl.col("count") <= most)).then("count"))
    rows = rows.select(
        pl.col("minute").floor().cast(pl.Int64), "site", "line", pl.col("count").cast(pl.Float64), "is_call"
    )
    return rows.unique().sort("minute", "site", "line", "count", "is_call")


def without_quoted(said: pl.DataFrame) -> pl.DataFrame:
    """Calls without those that repeat an earlier ticket and its number: they say nothing of the line by then."""
    first = said.select(same_as="ticket_id", quoted="count")
    with_first = said.join(first, on="same_as", how="left", maintain_order="left")
    return with_first.filter((pl.col("count") == pl.col("quoted")).fill_null(False).not_()).drop("quoted")


def calls(known: Known, readings: pl.DataFrame, roster: Roster) -> pl.DataFrame:
    """Calls about a stopped unit, and their ends: minute, site, slot (-1: not said), is_book, is_end."""
    index = site_index(roster)
    places = pl.DataFrame(
        [(u, k) for lists in (roster.scanners, roster.poll_books) for units in lists for k, u in enumerate(units)],
        schema={"unit_id": pl.String, "slot": pl.Int64}, orient="row",
    )  # fmt: skip
    wanted = [*DOWN_CATEGORIES, "poll-book"]
    said = known.tickets.select("ticket_id", "opened_at", "resolved_at").join(readings, on="ticket_id")
    said = said.filter(pl.col("category").is_in(wanted) & (pl.col("site_confidence") >= SITE_SURE))
    said = said.join(index, on="site_id").join(places, on="unit_id", how="left")
    parts = [
        said.select(
            minute=minute_of(column, known),
            site="site",
            slot=pl.col("slot").fill_null(-1),
            is_book=pl.col("category") == "poll-book",
            is_jam=pl.col("category") == "scanner-jam",
            is_end=pl.lit(is_end),
        )  # fmt: skip
        for column, is_end in (("opened_at", False), ("resolved_at", True))
    ]
    rows = pl.concat(parts).filter(pl.col("minute").is_not_null())
    return rows.with_columns(pl.col("minute").floor().cast(pl.Int64)).unique().sort(*rows.columns)
