"""The review's parts on voting: openings, ballots, lines, tickets, counts that should agree."""

from datetime import datetime, timedelta

import polars as pl

from pipeline.contracts.known import Known
from pipeline.outputs.drawings import bars
from pipeline.outputs.pages import (
    MOST_ROWS,
    Section,
    between,
    clock,
    first_of,
    minutes,
    names,
    percent,
    two_figures,
    whole,
)

OPEN_GRACE_MINUTES = 5  # a site that reports its opening within this of the hour opened on time [min]; our choice


def opening_times(known: Known) -> pl.DataFrame:
    """Every site with its scheduled and first reported opening, and how late that was [min]; null: not reported."""
    first = known.milestones.filter(pl.col("milestone") == "open").group_by("site_id").agg(opened_at=pl.col("at").min())
    late = (pl.col("opened_at") - pl.col("opens_at")).dt.total_seconds() / 60
    frame = known.sites.select("site_id", "name", "opens_at").join(first, on="site_id", how="left")
    return frame.with_columns(late_minutes=late).sort(
        "late_minutes", "site_id", descending=[True, False], nulls_last=True
    )


def openings(known: Known) -> Section:
    """Sites that opened late or did not say."""
    frame = opening_times(known)
    odd = frame.filter(pl.col("late_minutes").is_null() | (pl.col("late_minutes") > OPEN_GRACE_MINUTES))
    zone = known.county.zone
    rows = [
        (
            row["name"],
            clock(row["opens_at"], zone, known.at),
            clock(row["opened_at"], zone, known.at),
            minutes(row["late_minutes"]),
        )
        for row in odd.head(MOST_ROWS).iter_rows(named=True)
    ]
    late = f"sites opened more than {OPEN_GRACE_MINUTES} min late or did not report their opening"
    lead = f"{odd.height} of {frame.height} {late}{first_of(odd.height)}."
    return Section(
        "Opening", lead, ("Site", "Due", "Opened", "Late"), rows, (1, 2, 3), "No site is known to have opened late."
    )


def counted(known: Known) -> pl.DataFrame:
    """Each scanner's highest reported count of ballots, and when it last reported one."""
    scanners = known.units.filter(pl.col("type").str.starts_with("scan")).select("unit_id", "site_id")
    reports = known.status.filter(pl.col("ballots_counted").is_not_null()).join(scanners, on="unit_id")
    return reports.group_by("site_id", "unit_id").agg(
        ballots=pl.col("ballots_counted").max(), last_at=pl.col("occurred_at").max()
    )


def ballots(known: Known) -> Section:
    """Ballots counted by site, as the scanners report them."""
    frame = counted(known).group_by("site_id").agg(pl.col("ballots").sum(), pl.len(), pl.col("last_at").max())
    named, zone = names(known), known.county.zone
    rows = [
        (
            named.get(row["site_id"], row["site_id"] or "depot"),
            whole(row["ballots"]),
            str(row["len"]),
            clock(row["last_at"], zone, known.at),
        )
        for row in frame.sort("ballots", "site_id", descending=[True, False]).head(MOST_ROWS).iter_rows(named=True)
    ]
    lead = (
        f"Highest running total that each scanner reported, {frame.height} sites{first_of(frame.height)}. Sheets of a "
        "scanner that does not report are missing; a count that was set back is not mended here."
    )
    return Section(
        "Ballots counted",
        lead,
        ("Site", "Ballots", "Scanners", "Last report"),
        rows,
        (1, 2, 3),
        "No scanner has reported a count.",
    )


def waits(known: Known, lines: pl.DataFrame) -> Section:
    """The longest waits at the time of the review."""
    named = names(known)
    order = ("wait_minutes_median", "wait_minutes_mean", "site_id", "line")
    frame = lines.sort(*order, descending=[True, True, False, False]).head(MOST_ROWS)
    rows = [
        (
            named.get(row["site_id"], row["site_id"]),
            "check-in" if row["line"] == "checkin" else row["line"],
            between(row["waiting_median"], row["waiting_low"], row["waiting_high"]),
            between(row["wait_minutes_median"], row["wait_minutes_low"], row["wait_minutes_high"]),
            percent(row["chance_over_30"]),
        )
        for row in frame.iter_rows(named=True)
    ]
    return Section(
        "Longest waits at this time (estimates)",
        "What a voter who joins now would wait until service begins.",
        ("Site", "Line", "People waiting", "Wait [min]", "Chance over 30 min"),
        rows,
        (2, 3, 4),
        "No line is open at this time; ask for an earlier time to see estimated waits.",
    )


CAUSE_WORDS = {"stations-short": "Stations short", "scanner-stopped": "Scanner stopped", "power": "Power",
               "late-opening": "Late opening"}  # fmt: skip


def waits_by_cause(known: Known, waits: pl.DataFrame) -> Section:
    """What people waited up to the time of the review, and what of it was lost to a cause; the longest first."""
    named = names(known)
    rows = []
    whole_site = waits.filter(pl.col("cause") == "all").sort(
        "voter_minutes_median", "site_id", descending=[True, False]
    )
    for site_id in whole_site["site_id"].head(MOST_ROWS):
        mine = {row["cause"]: row for row in waits.filter(pl.col("site_id") == site_id).iter_rows(named=True)}
        cells = [voter_minutes(mine[cause]) for cause in ("all", *CAUSE_WORDS)]
        rows.append((named.get(site_id, site_id), *cells))
    total = two_figures(float(whole_site["voter_minutes_median"].sum()))
    lead = (
        f"About {total:,.0f} voter-minutes at {whole_site.height} sites{first_of(whole_site.height)}, from "
        "the scheduled openings on, at check-in and scanners. A cause's loss is the wait less the wait had it not been "
        "there; losses overlap and do not add up, as most waits have no cause but many people at once."
    )
    return Section(
        "Waits so far and what caused them (estimates) [voter-minutes]",
        lead,
        ("Site", "Waited", *CAUSE_WORDS.values()),
        rows,
        (1, 2, 3, 4, 5),
        "No site was due to open by this time.",
    )


def voter_minutes(row: dict) -> str:
    """Voter-minutes to two figures with their interval; a dash where there is next to nothing."""
    points = [two_figures(row[f"voter_minutes_{end}"]) for end in ("median", "low", "high")]
    return "–" if max(map(abs, points)) < 1 else between(*points)  # type: ignore[arg-type]


def counts_in_line(known: Known) -> Section:
    """The longest lines that people counted, one a site."""
    named, zone = names(known), known.county.zone
    most = pl.max_horizontal("checkin_line", "scanner_line")
    frame = known.line_counts.with_columns(most=most).filter(pl.col("most").is_not_null())
    best = frame.sort("most", "at", "site_id", descending=[True, False, False]).unique(
        "site_id", keep="first", maintain_order=True
    )
    rows = [
        (
            named.get(row["site_id"], row["site_id"]),
            whole(row["checkin_line"]),
            whole(row["scanner_line"]),
            clock(row["at"], zone, known.at),
        )
        for row in best.head(MOST_ROWS).iter_rows(named=True)
    ]
    return Section(
        "Longest lines counted",
        f"From {frame.height} head counts at {best.height} sites: counts by people, not "
        "estimates. Lines between counts are not seen.",
        ("Site", "Check-in", "Scanner", "Counted at"),
        rows,
        (1, 2, 3),
        "No head count was received.",
    )


def ticket_times(known: Known, tickets: pl.DataFrame) -> pl.DataFrame:
    """Tickets with the minutes from opening to first answer, arrival and resolution; a null where it has not come."""
    own = known.tickets.select("ticket_id", "assigned_at", "arrived_at", "resolved_at")
    return tickets.join(own, on="ticket_id", how="left").with_columns(
        **{
            f"{name}_minutes": (pl.col(f"{name}_at") - pl.col("opened_at")).dt.total_seconds() / 60
            for name in ("assigned", "arrived", "resolved")
        }
    )


def tickets_by_category(known: Known, tickets: pl.DataFrame) -> Section:
    """Tickets by category with median times."""
    frame = ticket_times(known, tickets)
    kinds = ("assigned", "arrived", "resolved")
    by = frame.group_by("category").agg(
        pl.len(),
        repeats=pl.col("same_as").is_not_null().sum(),
        open=(pl.col("status") != "resolved").sum(),
        **{f"{kind}_median": pl.col(f"{kind}_minutes").median() for kind in kinds},
        **{f"{kind}_count": pl.col(f"{kind}_minutes").count() for kind in kinds},
    )
    rows = [
        (
            row["category"],
            str(row["len"]),
            str(row["repeats"]),
            str(row["open"]),
            *(median_said(row[f"{kind}_median"], row[f"{kind}_count"]) for kind in kinds),
        )
        for row in by.sort("len", "category", descending=[True, False]).iter_rows(named=True)
    ]
    return Section(
        "Tickets by category",
        "Median minutes from the call to the first answer, a rover's arrival and the end, with the number of "
        "tickets behind each.",
        ("Category", "Tickets", "Repeats", "Open", "First answer", "Arrival", "Resolved"),
        rows,
        (1, 2, 3, 4, 5, 6),
        "No ticket was received.",
        by_hour(known, tickets),
    )


def median_said(median: float | None, count: int) -> str:
    """A median with the number behind it."""
    return "–" if median is None else f"{median:,.0f} min (n {count})"


def by_hour(known: Known, tickets: pl.DataFrame) -> str:
    """Tickets by the local hour in which they were opened, drawn."""
    if tickets.is_empty():
        return ""
    hours = tickets.select(hour=pl.col("opened_at").dt.convert_time_zone(known.county.zone).dt.truncate("1h"))["hour"]
    first: datetime = hours.min()  # type: ignore[assignment]
    found: dict[datetime, int] = dict(hours.value_counts().rows())
    hours_apart = round((max(found) - first).total_seconds() / 3600)
    span = [first + timedelta(hours=n) for n in range(min(hours_apart, 47) + 1)]
    return bars(
        [f"{hour:%H}" for hour in span],
        [found.get(hour, 0) for hour in span],
        f"Tickets opened by hour, {tickets.height} in all",
        "tickets opened in the hour (local time)",
    )


def reconciled(known: Known, reconciliation: pl.DataFrame) -> Section:
    """Counts that should agree and do not; how many do is said."""
    named = names(known)
    agree = reconciliation.filter((pl.col("standing") == "agrees") & (pl.col("difference") == 0)).height
    order = pl.col("standing").replace_strict({"differs": 0, "incomplete": 1, "agrees": 2}, default=3)
    rows = [
        (
            named.get(row["site_id"], row["site_id"]),
            whole(row["checked_in"]),
            whole(row["accounted_for"]),
            whole(row["difference"]),
            row["standing"],
            row["explanation"],
        )
        for row in reconciliation.sort(order, "site_id").iter_rows(named=True)
        if row["standing"] != "agrees" or row["difference"] != 0
    ]
    return Section(
        "Reconciliation",
        "Voters checked in against ballots counted and those left in the emergency compartment. A likely cause is a "
        f"hint, not a finding: people decide. At {agree} of {reconciliation.height} sites that reported nothing "
        "differs; the others:",
        ("Site", "Checked in", "Accounted for", "Difference", "Standing", "What it may be"),
        rows,
        (1, 2, 3),
        "No site differs." if reconciliation.height else "No site has reported its counts.",
    )
