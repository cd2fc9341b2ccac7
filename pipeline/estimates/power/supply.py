"""What every unit runs on: the newest evidence wins, weighed by how well it speaks for that unit.

One row of evidence says: by this time, this unit was off mains (or on), told by so-and-so.
Method: docs/methods/power.md.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.contracts.moments import spelled_out
from pipeline.estimates.power import neighbours
from pipeline.estimates.power.condense import Brief, from_battery, saying
from pipeline.estimates.power.instants import microseconds, moment
from pipeline.estimates.power.neighbours import LATEST, MICROSECONDS, NEVER, SILENT_MINUTES

Whole = NDArray[np.int64]
# Minutes by which a newer word must be newer to overrule a unit's own report; our choice [min].
MARGINS = {
    "own": 0.0,
    "site": 0.0,
    "site now": 0.0,
    "utility": 0.0,
    "spread": 0.0,
    "note": 2.0,
    "circuit": 10.0,
    "ticket": 10.0,
}
# Chance that a word of each kind is right, for the moment of which it speaks; a majority's is counted; our choice [-].
SURE = {"own": 0.99, "utility": 0.98, "note": 0.9, "hint": 0.7, "ticket": 0.6, "odd": 0.6}
TOGETHER_NOTES = 10.0  # notes of one place that say both within so many minutes contradict each other [min]
KINDS = pl.Enum(sorted(MARGINS))
STAMP = pl.Datetime("us", "UTC")
COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "row": pl.UInt32,
    "at": STAMP,
    "is_off": pl.Boolean,
    "began": STAMP,
    "kind": KINDS,
    "says": pl.String,
    "sure": pl.Float64,
}


def by_evidence(known: Brief, readings: pl.DataFrame, notes: pl.DataFrame) -> pl.DataFrame:
    """A row a unit, in the roster's order: is_off (null: nothing known), at, began (of the outage), kind and says.

    `fell_silent`: when it last reported, for a unit whose last word came from its battery; else null.
    """
    placed = (
        known.units.select("unit_id", "site_id")
        .join(known.sites.select("site_id", "circuit"), on="site_id", how="left", maintain_order="left")
        .with_row_index("row")
        .with_columns(site=pl.col("row").first().over("site_id"))  # numbers group faster than names
    )
    runs = power_runs(known, placed)
    found = evidence(known, runs, readings, notes, placed)
    silent = runs.filter("is_off").select("row", fell_silent="at")
    row = found["row"].to_numpy()
    at = found["at"].to_physical().to_numpy()
    kind = found["kind"].to_physical().to_numpy()
    is_off = found["is_off"].to_numpy()
    best = deciding(row, at, kind, is_off, placed.height)
    told = found[best].select("row", "is_off", "at", "kind", "says", "sure", since_on=since_on())
    off_at = np.full(placed.height, NEVER)
    of_off = best[is_off[best]]
    off_at[row[of_off]] = at[of_off]
    began = outage_start(found, off_at)
    units = placed.join(told, on="row", how="left", maintain_order="left").with_columns(began=began)
    return units.join(silent, on="row", how="left", maintain_order="left")


def deciding(row: Whole, at: Whole, kind: Whole, is_off: NDArray[np.bool_], many: int) -> Whole:
    """Which word of each unit counts: the newest, weighed by its kind's margin; of equals the last kind, and off."""
    margins = np.array([int(MARGINS[name] * MICROSECONDS) for name in KINDS.categories])
    weighed = at - margins[kind]
    newest = np.full(many, NEVER)
    np.maximum.at(newest, row, weighed)
    best = np.flatnonzero(weighed == newest[row])
    rank = 2 * kind[best].astype(np.int64) + is_off[best]
    top = np.full(many, -1)
    np.maximum.at(top, row[best], rank)
    best = best[rank == top[row[best]]]
    last = np.full(many, -1)
    np.maximum.at(last, row[best], best)
    return last[last >= 0]


def since_on() -> pl.Expr:
    """Since when a unit has been on mains, by the word that says so; null where only its neighbours tell."""
    told = pl.when(pl.col("kind").is_in(["utility", "note", "site"])).then("at")
    return pl.when(~pl.col("is_off")).then(pl.when(pl.col("kind") == "own").then("began").otherwise(told))


def outage_start(found: pl.DataFrame, off_at: Whole) -> pl.Series:
    """When each unit's present outage began: the earliest word of it after the last word of mains; null if on mains.

    `off_at`: when the deciding word says that it is off, a unit a row [us]; `NEVER` on mains.
    """
    words = found.filter(pl.Series(off_at != NEVER).gather(found["row"]))
    row, at, is_off = (words[name].to_physical().to_numpy() for name in ("row", "at", "is_off"))
    is_on = ~is_off & (words["kind"] != "circuit").to_numpy() & (at <= off_at[row])
    on_at, began = np.full(len(off_at), NEVER), np.full(len(off_at), LATEST)
    np.maximum.at(on_at, row[is_on], at[is_on])
    of_this = is_off & (at >= on_at[row])
    first = words["began"].to_physical().fill_null(LATEST).to_numpy()
    np.minimum.at(began, row[of_this], first[of_this])
    known = pl.Series((off_at != NEVER) & (began != LATEST))
    times = pl.Series(np.maximum(began, on_at)).cast(words["began"].dtype)
    return pl.select(began=pl.when(known).then(times)).to_series()


def evidence(
    known: Brief, runs: pl.DataFrame, readings: pl.DataFrame, notes: pl.DataFrame, placed: pl.DataFrame
) -> pl.DataFrame:
    """Every word about every unit, up to T; `runs`: what they say themselves (`power_runs`)."""
    parts: list[pl.DataFrame | pl.LazyFrame] = [
        own(runs, known),
        *neighbours.words(runs, known, placed),
        utility(known, placed),
        *noted(known, notes, placed),
    ]
    parts.append(called(known, readings, placed))
    told = [part.lazy().select(pl.col(name).cast(dtype) for name, dtype in COLUMNS.items()) for part in parts]
    return pl.concat(told).filter(pl.col("at").is_not_null()).collect()


def minutes_ago(known: Known, column: str) -> pl.Expr:
    """Whole minutes from a time to T."""
    return (moment(known.at) - pl.col(column)).dt.total_minutes().clip(lower_bound=0)


def power_runs(known: Brief, placed: pl.DataFrame) -> pl.DataFrame:
    """A row a unit that reports: its latest word on power, since when, and whether it ever said otherwise."""
    status = known.status
    said = saying(status, "power", microseconds(known.at))
    of_row, is_off = status["row"].to_numpy()[said], from_battery(status, said)
    is_new = np.append(True, of_row[1:] != of_row[:-1])[: len(of_row)]
    is_turn = np.append(True, is_off[1:] != is_off[:-1])[: len(of_row)]
    begins = np.flatnonzero(is_new | is_turn)  # runs of equal words
    of_unit = is_new[begins]
    is_last = np.append(of_unit[1:], True)[: len(begins)]
    ends = np.append(begins[1:], len(of_row))[: len(begins)] - 1
    first, before, last = begins[is_last], pl.Series(~of_unit[is_last]), ends[is_last]
    told = status.select("row", "power", at="occurred_at")[said]
    runs, other = told[last], told["at"].gather(np.maximum(first - 1, 0))
    return runs.with_columns(
        placed.select("site_id", "circuit", "site")[runs["row"]],
        began=told["at"].gather(first),
        other_at=pl.when(before).then(other),
        is_off=pl.Series(is_off[last]),
        age=minutes_ago(known, "at"),
    )


def own(runs: pl.DataFrame, known: Known) -> pl.DataFrame:
    """The unit's own latest report."""
    silent = (
        pl.when(pl.col("age") > SILENT_MINUTES)
        .then(pl.format(", silent since: {}", spelled_out(pl.col("age"))))
        .otherwise(pl.format(", {} ago", spelled_out(pl.col("age"))))
    )
    says = pl.concat_str(pl.format("its own report: {}", "power"), silent)
    return runs.with_columns(kind=pl.lit("own"), says=says, sure=pl.lit(SURE["own"]))


def utility(known: Known, placed: pl.DataFrame) -> pl.LazyFrame:
    """The utility's list: a circuit with an outage that is not over, or when its last one ended.

    An outage that ends before it starts is taken to have ended when it started, and is trusted less.
    """
    started = (
        known.outages.lazy()
        .filter(pl.col("started_at") <= moment(known.at))
        .with_columns(
            end=pl.max_horizontal("restored_at", pl.when(pl.col("restored_at").is_not_null()).then("started_at"))
        )
    )
    is_over = pl.col("end").is_not_null() & (pl.col("end") <= moment(known.at))
    words = started.with_columns(
        is_off=~is_over,
        at=pl.when(is_over).then("end").otherwise("started_at"),
        began=pl.col("started_at"),
    )
    latest = words.sort("circuit", "at", "outage_id").group_by("circuit", "is_off", maintain_order=True).last()
    ago = spelled_out(minutes_ago(known, "at"))
    says = pl.when(pl.col("is_off")).then(pl.format("the utility lists {} as out for {}", "circuit", ago))
    is_odd = (pl.col("restored_at") < pl.col("started_at")).fill_null(False)
    said = latest.with_columns(
        kind=pl.lit("utility"),
        sure=pl.when(is_odd).then(SURE["odd"]).otherwise(SURE["utility"]),
        says=says.otherwise(pl.format("the utility restored {} {} ago", "circuit", ago)),
    )
    return placed.lazy().join(said, on="circuit")


def noted(known: Known, notes: pl.DataFrame, placed: pl.DataFrame) -> list[pl.LazyFrame]:
    """Power notes: about a site, or about a whole circuit. A flicker says that mains came back."""
    off = pl.col("event").is_in(["lost", "battery-low"])
    on = pl.col("event").is_in(["restored", "generator", "flicker"])
    fresh = pl.duration(minutes=int(known.settings["power.note_hours"] * 60))
    words = (
        notes.lazy()
        .filter((off | on) & (pl.col("occurred_at") <= moment(known.at)))
        .filter(on | (pl.col("occurred_at") >= moment(known.at) - fresh))
        .with_columns(is_off=off, at=pl.col("occurred_at"), began=pl.col("occurred_at"))
        .with_columns(says=pl.format("a note: {}, {} ago", "event", spelled_out(minutes_ago(known, "at"))))
        .with_columns(sure=pl.when(contradicted()).then(SURE["odd"]).otherwise(SURE["note"]))
        .select("site_id", "circuit", "is_off", "at", "began", "says", "sure")
    )
    by_site = words.filter(pl.col("site_id").is_not_null()).drop("circuit")
    whole = words.filter(pl.col("site_id").is_null() & pl.col("circuit").is_not_null()).drop("site_id")
    hinted = words.filter(pl.col("site_id").is_not_null() & pl.col("circuit").is_not_null()).drop("site_id")
    units = placed.lazy()
    return [
        units.join(by_site, on="site_id").with_columns(kind=pl.lit("note")),
        units.join(whole, on="circuit").with_columns(kind=pl.lit("note")),
        units.join(hinted.filter("is_off"), on="circuit").with_columns(
            kind=pl.lit("circuit"), sure=pl.lit(SURE["hint"])
        ),
    ]


def contradicted() -> pl.Expr:
    """Whether a place's notes say both off and on within a few minutes (columns site_id, circuit, at, is_off)."""
    place = pl.coalesce("site_id", "circuit")
    other = pl.when(pl.col("is_off")).then(pl.lit(None)).otherwise(pl.col("at"))
    on_at, off_at = other.max().over(place), pl.when("is_off").then("at").max().over(place)
    apart = (on_at - off_at).dt.total_seconds().abs() / 60
    return (apart <= TOGETHER_NOTES).fill_null(False)


def called(known: Known, readings: pl.DataFrame, placed: pl.DataFrame) -> pl.LazyFrame:
    """Hotline tickets about power that are not resolved, by site."""
    fresh = moment(known.at) - pl.duration(minutes=int(known.settings["power.note_hours"] * 60))
    words = (
        readings.lazy()
        .filter((pl.col("category") == "power") & pl.col("site_id").is_not_null())
        .join(known.tickets.lazy().select("ticket_id", "opened_at", "status"), on="ticket_id")
        .filter((pl.col("status") != "resolved") & pl.col("opened_at").is_between(fresh, moment(known.at)))
        .select("site_id", is_off=pl.lit(True), at="opened_at", began="opened_at")
        .with_columns(sure=pl.lit(SURE["ticket"]))
        .with_columns(
            kind=pl.lit("ticket"),
            says=pl.format("a call about power, {} ago", spelled_out(minutes_ago(known, "at"))),
        )
    )
    return placed.lazy().join(words, on="site_id")
