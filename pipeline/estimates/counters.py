"""Runs of a counter: what came since the unit's last report, and what is odd about it.

Units report running totals. A total that falls begins a new run: the unit was restarted, or another unit goes by its
id. A total that drops and comes back at once, or leaps and comes back, is a slip of one report; one that leaps and
stays belongs to a counter that had run before. `failures`, `stock`, `counts` and the board's marks count in this way.

The line estimate does not (`lines/observations.py`): it spreads a total over windows of time, and holds what came after
a reset, a slip or a leap for unseen rather than work it out. What it lets pass is therefore less than `PACES`.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known

Floats = NDArray[np.float64]
MARKS = ("", "reset", "dip", "spike", "jump", "carried-over")
LONG_AGO = 1e9  # longer than any day, and finite [min]
RESET, DIP, SPIKE, JUMP, CARRIED = 1, 2, 3, 4, 5
SAID = {  # what each mark says of a counter, for `basis`
    "reset": "fell and began again (a restart, or another unit under this id): counted from its new start",
    "dip": "was lower in one report and came back: that report is left out",
    "spike": "leapt in one report and came back: that report is left out",
    "jump": "leapt by more than a unit can do: what lies between is not counted",
    "carried-over": "was too high when first heard of (not set to nought for today): counted from there",
}


@dataclass(frozen=True)
class Pace:
    """What a counter can do between two reports: `most` is impossible to pass, `back` is what a restart hardly reaches.

    All are our choice; a precinct scanner takes a sheet in about three seconds (common practice, no source).
    """

    most_per_minute: float
    most_at_once: float
    back_per_minute: float
    back_at_once: float


PACES = {
    "ballots_counted": Pace(20.0, 100.0, 10.0, 20.0),
    "checkins": Pace(10.0, 100.0, 5.0, 20.0),
    "misfeeds": Pace(0.0, 200.0, 0.1, 2.0),
    "jams": Pace(0.0, 200.0, 0.1, 2.0),
}


def with_increments(status: pl.DataFrame, *counters: str, opens: pl.DataFrame | None = None) -> pl.DataFrame:
    """Reports in order, each with every counter's increase since the unit's last report and what is odd about it.

    Adds `new_NAME` [count] and `mark_NAME` (one of `MARKS`, null where nothing is odd). The first report's total counts
    whole, unless `opens` (`openings`) says that so much cannot have come since the opening.
    """
    frame = in_order(status)
    since = since_opening(frame, opens)
    unit = frame["unit_id"].rle_id().to_numpy()
    minute = frame["occurred_at"].dt.epoch("us").to_numpy() / 60e6
    columns = []
    for name in counters:
        new, mark = increments(unit, minute, frame[name].cast(pl.Float64).to_numpy(), since, PACES[name])
        told = words_of(mark)
        columns += [pl.Series(f"new_{name}", new).cast(pl.Int64), told.alias(f"mark_{name}")]
    return frame.with_columns(columns)


def in_order(status: pl.DataFrame) -> pl.DataFrame:
    """Reports by unit, time and sequence; numbering the ids first makes large frames several times faster to sort."""
    ids = pl.Enum(status["unit_id"].unique().sort())
    keys = status.select(
        unit=pl.col("unit_id").cast(ids).to_physical(),
        at=pl.col("occurred_at").to_physical(),
        nth=pl.col("sequence").fill_null(-1),
    )
    order = np.lexsort((keys["nth"].to_numpy(), keys["at"].to_numpy(), keys["unit"].to_numpy()))
    return status[order]


def words_of(mark: NDArray[np.int8]) -> pl.Series:
    """Codes of `MARKS` as words, null where nothing is odd."""
    words = pl.Series([None, *MARKS[1:]], dtype=pl.String)
    return words.gather(pl.Series(mark, dtype=pl.Int64))


def openings(known: Known) -> pl.DataFrame:
    """When the site of each unit opens: columns unit_id, opens_at."""
    return known.units.join(known.sites.select("site_id", "opens_at"), on="site_id").select("unit_id", "opens_at")


def since_opening(frame: pl.DataFrame, opens: pl.DataFrame | None) -> Floats:
    """Minutes from the unit's opening to each report; `LONG_AGO` where the opening is not known."""
    if opens is None:
        return np.full(frame.height, LONG_AGO)
    told = frame.select("unit_id", "occurred_at").join(opens, on="unit_id", how="left", maintain_order="left")
    minutes = told.select((pl.col("occurred_at") - pl.col("opens_at")).dt.total_seconds() / 60).to_series()
    return minutes.fill_null(LONG_AGO).clip(lower_bound=0).to_numpy()


def increments(
    unit: NDArray[np.integer], minute: Floats, total: Floats, since: Floats, pace: Pace
) -> tuple[Floats, NDArray[np.int8]]:
    """Increase and mark of every report, reports sorted by unit and time.

    Parameters
    ----------
    unit : code of the unit
    minute : time of the report [min]
    total : the counter, NaN where the report is silent [count]
    since : minutes from opening to the report [min]
    """
    new, mark = np.zeros(len(total)), np.zeros(len(total), np.int8)
    rows = np.flatnonzero(~np.isnan(total))
    mark[rows] = slips(unit[rows], minute[rows], total[rows], pace)
    rows = rows[mark[rows] == 0]
    u, t, v = unit[rows], minute[rows], total[rows]
    is_first = np.r_[True, u[1:] != u[:-1]] if len(u) else np.zeros(0, bool)
    before = np.where(is_first, 0.0, np.r_[0.0, v[:-1]][: len(v)])
    span = np.where(is_first, since[rows], t - np.r_[0.0, t[:-1]][: len(v)])
    can = pace.most_at_once + np.where(pace.most_per_minute > 0, pace.most_per_minute * span, 0.0)
    fell = v < before
    grown = np.where(fell, v, v - before)
    leapt = grown > can
    new[rows] = np.where(leapt, 0.0, grown)
    mark[rows] = np.select([leapt & is_first, leapt, fell], [CARRIED, JUMP, RESET], 0)
    return new, mark


def slips(unit: NDArray[np.integer], minute: Floats, total: Floats, pace: Pace) -> NDArray[np.int8]:
    """Marks of single reports that are off while the run goes on: the next total fits the one before."""
    mark = np.zeros(len(total), np.int8)
    if len(total) < 3:
        return mark
    p, v, n = total[:-2], total[1:-1], total[2:]
    is_one = (unit[:-2] == unit[1:-1]) & (unit[1:-1] == unit[2:]) & (n >= p)
    back = pace.back_at_once + pace.back_per_minute * (minute[2:] - minute[1:-1])
    most = pace.most_at_once + pace.most_per_minute * (minute[1:-1] - minute[:-2])
    mark[1:-1] = np.select([is_one & (v < p) & (n - v > back), is_one & (v > n) & (v - p > most)], [DIP, SPIKE], 0)
    return mark


def explained(reports: pl.DataFrame, *counters: str) -> pl.DataFrame:
    """A sentence for each unit of which a counter is odd: columns unit_id, oddities."""
    parts = [
        reports.filter(pl.col(f"mark_{name}").is_not_null())
        .group_by("unit_id", mark=f"mark_{name}")
        .agg(many=pl.len(), name=pl.lit(name.replace("_", " ")))
        for name in counters
    ]
    told = pl.concat(parts).with_columns(said=pl.col("mark").replace_strict(SAID, return_dtype=pl.String))
    times = pl.when(pl.col("many") > 1).then(pl.format(" ({} times)", "many")).otherwise(pl.lit(""))
    return (
        told.with_columns(text=pl.format("the counter of {} {}{}", "name", "said", times))
        .sort("unit_id", "name", "mark")
        .group_by("unit_id", maintain_order=True)
        .agg(oddities=pl.col("text").unique(maintain_order=True).str.join("; "))
    )


def in_wrong_column(reports: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Counts that stand in a column where they cannot belong: columns unit_id, oddities.

    `reports` carries new_misfeeds and new_ballots_counted. More misfeeds than ballots, or check-ins of a scanner, are
    counts in the wrong column; so are ballots of a poll book.
    """
    sums = (
        reports.group_by("unit_id")
        .agg(
            misfed=pl.col("new_misfeeds").sum(),
            read=pl.col("new_ballots_counted").sum(),
            checkins=pl.col("checkins").max(),
            ballots=pl.col("ballots_counted").max(),
        )
        .join(units.select("unit_id", "type"), on="unit_id")
    )
    is_book = pl.col("type") == "electronic-poll-book"
    said = (
        pl.when(is_book & (pl.col("ballots").fill_null(0) > 0))
        .then(pl.lit("ballots reported by a poll book: a count in the wrong column, left out"))
        .when(pl.col("type").str.starts_with("scan") & (pl.col("checkins").fill_null(0) > 0))
        .then(pl.lit("check-ins reported by a scanner: a count in the wrong column, left out"))
        .when((pl.col("misfed") > 20) & (pl.col("misfed") > pl.col("read")))
        .then(pl.lit("more misfeeds than ballots: a count in the wrong column, its misfeeds are left out"))
    )
    return sums.select("unit_id", oddities=said).filter(pl.col("oddities").is_not_null()).sort("unit_id")
