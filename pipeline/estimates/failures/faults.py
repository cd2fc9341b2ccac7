"""Faults of units, each counted once: counters, state and tickets tell of the same event."""

import polars as pl

from pipeline.contracts import events
from pipeline.contracts.known import Known, empty

# Categories of tickets that tell of a unit's own failure; the rest are the place's or the people's.
UNIT_CATEGORIES: dict[str, tuple[str, ...]] = {
    "scanner-jam": ("scan-single", "scan-batch"),
    "scanner-down": ("scan-single", "scan-batch"),
    "tape-printer": ("scan-single",),
    "memory-card": ("scan-single",),
    "poll-book": ("electronic-poll-book",),
    "bmd": ("bmd",),
    "accessible-device": ("bmd",),
}
COUNTED_LIKE = ("scanner-jam", "scanner-down", "bmd", "poll-book")  # tickets that a counter or a state shows too
MOST_AT_ONCE = 200  # a counter that jumps by more between two reports is a slip, not so many faults [count]


def faults(known: Known, readings: pl.DataFrame) -> pl.DataFrame:
    """Every unit's faults up to T, once each, with what told of them."""
    window = pl.duration(minutes=int(known.settings["repeats.same_event_minutes"]))
    told = ticket_faults(known, readings, window)
    shown = status_faults(known.status, window)
    matched = match(told, shown, window)
    by_event = (
        matched.filter(pl.col("event").is_not_null())
        .group_by("event")
        .agg(ticket_ids=pl.col("ticket_ids").list.explode().unique().sort())
    )
    seen = shown.join(by_event, on="event", how="left").select(
        "unit_id",
        "at",
        "kind",
        source=pl.when(pl.col("ticket_ids").is_null()).then(pl.lit("status")).otherwise(pl.lit("both")),
        ticket_ids=pl.col("ticket_ids").fill_null([]),
    )
    only_told = matched.filter(pl.col("event").is_null()).select(
        "unit_id", "at", "kind", "ticket_ids", source=pl.lit("ticket")
    )
    columns = list(empty(events.Faults).columns)
    return (
        pl.concat([seen.select(only_told.columns), only_told])
        .join(known.units.select("unit_id", "site_id"), on="unit_id", how="left")
        .select(columns)
        .sort("unit_id", "at", "kind", "ticket_ids")
    )


def with_increments(status: pl.DataFrame, *counters: str) -> pl.DataFrame:
    """Reports in order, with each counter's increase since the unit's last report, `new_NAME`.

    A counter that falls has been reset: its new value is what came since. The first report's total counts whole.
    """
    steps = []
    for name in counters:
        before = pl.col(name).forward_fill().shift(1).over("unit_id").fill_null(0)
        grown = pl.when(pl.col(name) >= before).then(pl.col(name) - before).otherwise(pl.col(name))
        steps.append(grown.fill_null(0).alias(f"new_{name}"))
    return status.sort("unit_id", "occurred_at", "sequence").with_columns(steps)


def status_faults(status: pl.DataFrame, window: pl.Expr) -> pl.DataFrame:
    """Faults that a unit's own reports show: columns event, unit_id, at, until, kind."""
    reports = with_increments(status, "misfeeds", "jams")
    # A jam is a misfeed that stopped the unit: where both counters rise they tell of the same sheets.
    counted = (
        reports.with_columns(many=pl.max_horizontal("new_misfeeds", "new_jams"))
        .filter(pl.col("many").is_between(1, MOST_AT_ONCE))
        .with_columns(nth=pl.int_ranges(0, pl.col("many")))
        .explode("nth")
        .select(
            "unit_id",
            at="occurred_at",
            until="occurred_at",
            kind=pl.when(pl.col("nth") < pl.col("new_jams")).then(pl.lit("jam")).otherwise(pl.lit("misfeed")),
        )
    )
    spells = fault_spells(reports)
    near = spells.sort("at").join_asof(
        counted.select("unit_id", "at", counted_at="at").unique().sort("at"),
        on="at",
        by="unit_id",
        strategy="nearest",
        check_sortedness=False,
    )
    is_same = (pl.col("counted_at") >= pl.col("at") - window) & (pl.col("counted_at") <= pl.col("until"))
    alone = near.filter(~is_same.fill_null(False)).select("unit_id", "at", "until", kind=pl.lit("fault"))
    return pl.concat([counted, alone]).sort("unit_id", "at", "kind").with_row_index("event")


def fault_spells(reports: pl.DataFrame) -> pl.DataFrame:
    """Runs of reports in the state `fault`: columns unit_id, at, until."""
    stated = reports.filter(pl.col("state").is_not_null())
    return (
        stated.with_columns(is_fault=pl.col("state") == "fault")
        .with_columns(run=pl.col("is_fault").rle_id().over("unit_id"))
        .filter("is_fault")
        .group_by("unit_id", "run")
        .agg(at=pl.col("occurred_at").min(), until=pl.col("occurred_at").max())
        .drop("run")
    )


def ticket_faults(known: Known, readings: pl.DataFrame, window: pl.Expr) -> pl.DataFrame:
    """Faults that tickets tell of, repeats folded together: columns unit_id, at, kind, ticket_ids."""
    opened = known.tickets.select("ticket_id", "opened_at")
    read = root_of(readings).join(opened, on="ticket_id", how="inner")
    rooted = (
        read.filter(pl.col("category").is_in(list(UNIT_CATEGORIES)))
        .sort("opened_at", "ticket_id")
        .group_by("root", maintain_order=True)
        .agg(
            site_id=pl.col("site_id").drop_nulls().first(),
            unit_id=pl.col("unit_id").drop_nulls().first(),
            kind=pl.col("category").first(),
            at=pl.col("opened_at").min(),
            ticket_ids=pl.col("ticket_id").sort(),
        )
    )
    named = with_only_unit(rooted, known.units).filter(pl.col("unit_id").is_not_null()).sort("unit_id", "kind", "at")
    gap = pl.col("at") - pl.col("at").shift(1).over("unit_id", "kind")
    return (
        named.with_columns(run=(gap > window).fill_null(True).cum_sum().over("unit_id", "kind"))
        .group_by("unit_id", "kind", "run")
        .agg(at=pl.col("at").min(), ticket_ids=pl.col("ticket_ids").list.explode().sort())
        .drop("run")
        .sort("unit_id", "kind", "at")
    )


def root_of(readings: pl.DataFrame) -> pl.DataFrame:
    """Readings with `root`: the ticket at the end of the chain of `same_as`."""
    rooted = readings.with_columns(root=pl.coalesce("same_as", "ticket_id"))
    parents = readings.select(root="ticket_id", further="same_as")
    for _ in range(4):  # chains are short; a ring of tickets ends here too
        rooted = rooted.join(parents, on="root", how="left").with_columns(root=pl.coalesce("further", "root"))
        rooted = rooted.drop("further")
    return rooted


def with_only_unit(told: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Fills a missing unit_id where the site has only one unit that the category can be about."""
    kinds = pl.DataFrame(
        [(kind, name) for kind, names in UNIT_CATEGORIES.items() for name in names],
        schema={"kind": pl.String, "type": pl.String},
        orient="row",
    )
    only = (
        units.filter(pl.col("site_id").is_not_null())
        .join(kinds, on="type")
        .group_by("site_id", "kind")
        .agg(only=pl.col("unit_id").first(), many=pl.len())
        .filter(pl.col("many") == 1)
        .drop("many")
    )
    return told.join(only, on=["site_id", "kind"], how="left").with_columns(unit_id=pl.coalesce("unit_id", "only"))


def match(told: pl.DataFrame, shown: pl.DataFrame, window: pl.Expr) -> pl.DataFrame:
    """The tickets' faults with the `event` of the reports that is the same one, else null."""
    reach = told.with_columns(reach=pl.col("at") + window).sort("reach")
    found = reach.join_asof(
        shown.select("unit_id", "event", "until", reach="at").sort("reach"),
        on="reach",
        by="unit_id",
        strategy="backward",
        check_sortedness=False,
    )
    is_same = (pl.col("at") <= pl.col("until") + window) & pl.col("kind").is_in(list(COUNTED_LIKE))
    return found.with_columns(event=pl.when(is_same).then("event")).select(
        "unit_id", "at", "kind", "ticket_ids", "event"
    )
