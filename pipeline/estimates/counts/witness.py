"""What the day's own log says of a site's counts: counters, poll books, scanners that stood still, calls."""

from dataclasses import dataclass, field

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.counters import with_increments
from pipeline.estimates.counts.causes import CATEGORIES


@dataclass(frozen=True)
class Witness:
    """One site's log: nulls where nothing that reports can tell."""

    scanners_read: int | None = None  # ballots by the scanners' own counters, where every scanner reports to the end
    books_checked_in: int | None = None  # voters by the electronic poll books, where every one reports
    scanners_silent: int = 0
    books_silent: int = 0
    stopped: tuple[str, ...] = ()  # scanners whose reports showed a fault
    jams: int = 0
    calls: dict[str, tuple[str, ...]] = field(default_factory=dict)  # cause → tickets whose category makes it possible


def witnesses(known: Known, readings: pl.DataFrame) -> dict[str, Witness]:
    """The log of each site, by site_id."""
    told = with_increments(known.status, "ballots_counted", "checkins", "jams")
    sums = told.group_by("unit_id").agg(
        read=pl.col("new_ballots_counted").sum(),
        checked=pl.col("new_checkins").sum(),
        jams=pl.col("new_jams").filter(pl.col("new_jams") <= 200).sum(),
        counts=pl.col("ballots_counted").is_not_null().any(),
        books=pl.col("checkins").is_not_null().any(),
        last_at=pl.col("occurred_at").max(),
        stopped=(pl.col("state") == "fault").any(),
    )
    units = (
        known.units.filter(pl.col("site_id").is_not_null() & (pl.col("role").fill_null("deployed") != "spare"))
        .join(known.sites.select("site_id", "closes_at"), on="site_id")
        .join(sums, on="unit_id", how="left")
        .with_columns(to_the_end=(pl.col("last_at") >= pl.col("closes_at")).fill_null(False))
        .sort("unit_id")
    )
    is_scanner, is_book = pl.col("type").str.starts_with("scan"), pl.col("type") == "electronic-poll-book"
    tells, checks = ((pl.col(c).fill_null(False) & pl.col("to_the_end")) for c in ("counts", "books"))
    sites = units.group_by("site_id", maintain_order=True).agg(
        scanners=is_scanner.sum(),
        telling=(is_scanner & tells).sum(),
        read=pl.col("read").filter(is_scanner & tells).sum(),
        poll_books=is_book.sum(),
        checking=(is_book & checks).sum(),
        checked=pl.col("checked").filter(is_book & checks).sum(),
        stood=pl.col("unit_id").filter(is_scanner & pl.col("stopped").fill_null(False)),
        jammed=pl.col("jams").filter(is_scanner).fill_null(0).sum(),
    )
    calls = calls_by_cause(readings)
    return {
        row["site_id"]: Witness(
            scanners_read=int(row["read"]) if 0 < row["telling"] == row["scanners"] else None,
            books_checked_in=int(row["checked"]) if 0 < row["checking"] == row["poll_books"] else None,
            scanners_silent=row["scanners"] - row["telling"],
            books_silent=row["poll_books"] - row["checking"],
            stopped=tuple(row["stood"]),
            jams=int(row["jammed"]),
            calls=calls.get(row["site_id"], {}),
        )
        for row in sites.iter_rows(named=True)
    }


def calls_by_cause(readings: pl.DataFrame) -> dict[str, dict[str, tuple[str, ...]]]:
    """Site → cause → tickets whose category makes it possible."""
    found: dict[str, dict[str, list[str]]] = {}
    rows = readings.filter(pl.col("site_id").is_not_null()).sort("ticket_id")
    for ticket_id, site_id, category, categories in rows.select(
        "ticket_id", "site_id", "category", "categories"
    ).iter_rows():
        heard = {category, *(categories or [])}
        for cause, kinds in CATEGORIES.items():
            if heard & set(kinds):
                found.setdefault(site_id, {}).setdefault(cause, []).append(ticket_id)
    return {site: {cause: tuple(ids) for cause, ids in causes.items()} for site, causes in found.items()}


def evidence(cause: str, witness: Witness) -> list[str]:
    """What the log holds for a cause, in words."""
    parts = []
    if cause in ("emergency", "rescanned") and witness.stopped:
        parts.append(f"{', '.join(witness.stopped)} stood still during the day")
    if cause == "rescanned" and witness.jams:
        parts.append(f"{witness.jams} jams counted")
    if cause == "poll-book" and witness.books_silent:
        parts.append(f"{witness.books_silent} poll books did not report to the end")
    tickets = witness.calls.get(cause, ())
    if tickets:
        parts.append(f"tickets {', '.join(tickets[:5])}{' and more' if len(tickets) > 5 else ''}")
    return parts
