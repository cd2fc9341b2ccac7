"""Faults of units, each counted once: counters, states and tickets tell of the same event."""

import polars as pl

from pipeline.contracts import events
from pipeline.contracts.known import Known, empty
from pipeline.estimates.counters import in_wrong_column
from pipeline.estimates.failures.exposure import Ledger, site_then, with_exposure
from pipeline.estimates.failures.exposure import ledger as ledger_of
from pipeline.estimates.failures.told import match, ticket_faults, with_probability

MOST_AT_ONCE = 200  # a counter that jumps by more between two reports is a slip, not so many faults [count]
SHOWN = ["unit_id", "at", "until", "kind", "family", "ballots", "probability"]
TOLD = ["unit_id", "at", "kind", "ticket_ids", "ballots", "probability"]
KINDS = {  # the class that a fault is counted in, by what was seen or told of it; our choice
    "misfeed": "misfeed",
    "jam": "jam",
    "scanner-jam": "jam",
    "fault": "hard-fault",
    "scanner-down": "hard-fault",
    "bmd": "hard-fault",
    "poll-book": "hard-fault",
    "accessible-device": "hard-fault",
    "tape-printer": "tape-printer",
    "memory-card": "memory-card",
    "power": "power",
}


def faults(known: Known, readings: pl.DataFrame, ledger: Ledger | None = None) -> pl.DataFrame:
    """Every unit's faults up to T, once each, with what told of them, how sure that is, and its exposure by then."""
    ledger = ledger or ledger_of(known)
    window = pl.duration(minutes=int(known.settings["repeats.same_event_minutes"]))
    shown = status_faults(known, ledger, window)
    told = match(ticket_faults(known, readings, window), shown, window)
    lone = told.filter(pl.col("event").is_null())
    sure = with_probability(lone, ledger.reports, window, known.settings["repeats.unseen_chance"])
    only_told = sure.pipe(read_by_then, ledger.reports).select(*TOLD, source=pl.lit("ticket"))
    rows = pl.concat([seen(shown, told).select(only_told.columns), only_told])
    counts = ledger.exposures.select("unit_id", has_counter=pl.col("exposure_ballots").is_not_null())
    return (
        rows.join(counts, on="unit_id")
        .pipe(site_then, known)
        .pipe(with_exposure, known, ledger.exposures)
        .with_columns(
            fault_class=pl.col("kind").replace_strict(KINDS, default="hard-fault", return_dtype=pl.String),
            ballots=pl.when("has_counter").then("ballots"),
        )
        .select(list(empty(events.Faults).columns))
        .pipe(in_fixed_order)
    )


def in_fixed_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows by unit, time, kind and tickets, however they came."""
    ids, kinds = (pl.Enum(rows[name].unique().sort()) for name in ("unit_id", "kind"))
    first = pl.col("ticket_ids").list.first().fill_null("")
    return rows.sort(pl.col("unit_id").cast(ids).to_physical(), "at", pl.col("kind").cast(kinds).to_physical(), first)


def read_by_then(rows: pl.DataFrame, reports: pl.DataFrame) -> pl.DataFrame:
    """Adds `ballots`: those that the unit had read by the time `at`."""
    if rows.is_empty():
        return rows.with_columns(ballots=pl.lit(None, pl.Float64))
    own = reports.join(rows.select("unit_id").unique(), on="unit_id", how="semi")
    return rows.sort("at").join_asof(
        own.select("unit_id", at="occurred_at", ballots="read").sort("at"),
        on="at",
        by="unit_id",
        strategy="backward",
        check_sortedness=False,
    )


def seen(shown: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """The faults that reports show, with the tickets that tell of the same: two witnesses make it surer."""
    none = pl.lit([], pl.List(pl.String))
    if told["event"].null_count() == told.height:
        return shown.with_columns(source=pl.lit("status"), ticket_ids=none)
    by_event = (
        told.filter(pl.col("event").is_not_null())
        .group_by("event")
        .agg(
            ticket_ids=pl.col("ticket_ids").list.explode().unique().sort(),
            doubt=(1 - pl.col("confidence").clip(0, 1)).product(),
        )
    )
    return shown.join(by_event, on="event", how="left").with_columns(
        source=pl.when(pl.col("ticket_ids").is_null()).then(pl.lit("status")).otherwise(pl.lit("both")),
        ticket_ids=pl.coalesce("ticket_ids", none),
        probability=1 - (1 - pl.col("probability")) * pl.col("doubt").fill_null(1.0),
    )


def status_faults(known: Known, ledger: Ledger, window: pl.Expr) -> pl.DataFrame:
    """Faults that a unit's own reports show: columns event, unit_id, at, until, kind, family, ballots, probability."""
    reports, single = ledger.reports, known.settings["repeats.single_state_chance"]
    counted = counted_faults(reports, known.units)
    spells = state_spells(reports, "state", ["fault"], single)
    near = spells.sort("at").join_asof(
        counted.join(spells.select("unit_id").unique(), on="unit_id", how="semi")
        .select("unit_id", "at", counted_at="at")
        .sort("at"),
        on="at",
        by="unit_id",
        strategy="nearest",
        check_sortedness=False,
    )
    is_same = (pl.col("counted_at") >= pl.col("at") - window) & (pl.col("counted_at") <= pl.col("until"))
    alone = near.filter(~is_same.fill_null(False)).with_columns(kind=pl.lit("fault"), family=pl.lit("works"))
    cards = state_spells(reports, "cards", ["one", "none"], single).with_columns(
        kind=pl.lit("memory-card"), family=pl.lit("cards")
    )
    return pl.concat([counted.select(SHOWN), alone.select(SHOWN), cards.select(SHOWN)]).with_row_index("event")


def counted_faults(reports: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Faults that the counters of misfeeds and jams show, none of a unit whose counts stand in the wrong column.

    A jam is a misfeed that stopped the unit: where both counters rise they tell of the same sheets.
    """
    wrong = in_wrong_column(reports, units).filter(pl.col("oddities").str.contains("misfeeds"))
    return (
        reports.with_columns(many=pl.max_horizontal("new_misfeeds", "new_jams"))
        .filter(pl.col("many").is_between(1, MOST_AT_ONCE))
        .join(wrong, on="unit_id", how="anti")
        .with_columns(nth=pl.int_ranges(0, pl.col("many")))
        .explode("nth")
        .select(
            "unit_id",
            at="occurred_at",
            until="occurred_at",
            kind=pl.when(pl.col("nth") < pl.col("new_jams")).then(pl.lit("jam")).otherwise(pl.lit("misfeed")),
            family=pl.lit("works"),
            # Several faults between two reports are spread evenly over the ballots between them.
            ballots=pl.col("read") - pl.col("new_ballots_counted") * (1 - (pl.col("nth") + 0.5) / pl.col("many")),
            probability=pl.lit(1.0),
        )
    )


def state_spells(reports: pl.DataFrame, column: str, bad: list[str], single: float) -> pl.DataFrame:
    """Runs of reports in a bad state: unit_id, at, until, ballots, probability; one report alone may be a slip."""
    stated = reports.filter(pl.col(column).is_not_null())
    is_bad = pl.col(column).is_in(bad)
    turns = (is_bad != is_bad.shift()) | (pl.col("unit_id") != pl.col("unit_id").shift())
    return (
        stated.with_columns(run=turns.fill_null(True).cum_sum())
        .filter(is_bad)
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("unit_id").first(),
            at=pl.col("occurred_at").first(),
            until=pl.col("occurred_at").last(),
            ballots=pl.col("read").first(),
            many=pl.len(),
        )
        .with_columns(probability=pl.when(pl.col("many") > 1).then(1.0).otherwise(single))
        .drop("run", "many")
    )
