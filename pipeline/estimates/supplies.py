"""What runs out or fills up: ballot boxes, report paper, blank ballots, with the time and the chance before closing.

Method and limits: docs/methods/closing.md.
"""

from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.counters import with_increments

Floats = NDArray[np.float64]
Z90 = 1.6449  # 95 % point of the normal [-]
PACE_MINUTES = 90.0  # a box's own pace is that of so long before T; our choice [min]
BIN_TYPES = ("scan-single",)  # SP 1500-101 device types with a ballot box below
HORIZON_MINUTES = 7 * 24 * 60.0  # a filling time further off than a week is not told [min]


def supplies(known: Known, loads: pl.DataFrame) -> pl.DataFrame:
    """Every ballot box, paper roll and stock of ballots that something is known of."""
    names = list(empty(estimates.Supplies).columns)
    parts = [bins(known, loads), paper(known), ballots(known, loads)]
    return pl.concat([part.select(names) for part in parts]).sort("item", "site_id", "unit_id", "style")


def bins(known: Known, loads: pl.DataFrame) -> pl.DataFrame:
    """The main compartments of the boxes at the sites."""
    boxes = with_used(known).join(site_demand(known, loads), on="site_id", how="left")
    if boxes.is_empty():
        return empty(estimates.Supplies)
    share = share_of_site(boxes)
    s = known.settings
    spread = np.where(boxes["boxes"].to_numpy() > 1, s["supplies.share_spread"], 0.0)
    waiting = boxes["scanner_waiting"].fill_null(0).to_numpy()
    # What was read since the last report went in unseen: the pace of the next hour stands for it.
    unseen = share * boxes["arrivals_per_minute"].fill_null(0).to_numpy() * boxes["unseen_minutes"].to_numpy()
    guess = boxes.select(inside()).to_series().to_numpy()
    used = np.where(boxes["used"].is_null().to_numpy(), guess, boxes["used"].fill_null(0).to_numpy()) + unseen
    capacity = boxes["bin_capacity"].fill_null(s["supplies.bin_capacity"]).to_numpy().astype(float)
    # What is inside a silent box is as doubtful as the share of the stream that it takes.
    silent = np.where(boxes["used"].is_null().to_numpy(), s["supplies.unreported_spread"], 0.0)
    unsure = silent * used
    ahead = own_pace(boxes, share)
    spread = np.sqrt(spread**2 + silent**2 + np.log(ahead) ** 2)
    filled = filling(known, boxes, capacity - used, share * ahead, spread, unsure, waiting)
    return filled.with_columns(
        item=pl.lit("bin"),
        style=pl.lit(None, pl.String),
        capacity=pl.Series(capacity),
        state=pl.lit(None, pl.String),
    )


def with_used(known: Known) -> pl.DataFrame:
    """Boxes with `used`, the ballots inside by the last report, `unseen_minutes` since, and `basis`.

    A counter that falls means another unit or a restart: the box keeps its ballots, so increases are summed. An
    entry `bin-emptied` with the unit as target starts from nought.
    """
    emptied = (
        known.entries.filter((pl.col("action") == "bin-emptied") & not_withdrawn(known.entries))
        .group_by(unit_id="target")
        .agg(emptied_at=pl.col("at").max())
    )
    reports = with_increments(known.status.filter(pl.col("ballots_counted").is_not_null()), "ballots_counted")
    since = reports.join(emptied, on="unit_id", how="left").with_columns(
        counts=pl.col("emptied_at").is_null() | (pl.col("occurred_at") > pl.col("emptied_at"))
    )
    lately = pl.col("occurred_at") > known.at - timedelta(minutes=PACE_MINUTES)
    span = pl.col("occurred_at").filter(lately).max() - pl.col("occurred_at").filter(lately).min()
    used = since.group_by("unit_id").agg(
        total=pl.col("new_ballots_counted").filter("counts").sum().cast(pl.Float64),
        reported_at=pl.col("occurred_at").max(),
        lately=pl.col("ballots_counted").filter(lately).max() - pl.col("ballots_counted").filter(lately).min(),
        lately_minutes=span.dt.total_seconds() / 60,
    )
    units = known.units.filter(pl.col("type").is_in(list(BIN_TYPES)) & pl.col("site_id").is_not_null())
    frame = units.join(used, on="unit_id", how="left").join(emptied, on="unit_id", how="left").sort("unit_id")
    return with_emptied_unseen(frame, known)


def not_withdrawn(entries: pl.DataFrame) -> pl.Expr:
    """Whether nobody has taken the entry back."""
    return ~pl.col("entry_id").is_in(entries["withdraws"].drop_nulls().implode())


def with_emptied_unseen(frame: pl.DataFrame, known: Known) -> pl.DataFrame:
    """Takes whole boxes off a count that is above the capacity: somebody emptied it and did not say so."""
    capacity = pl.col("bin_capacity").fill_null(known.settings["supplies.bin_capacity"]).cast(pl.Float64)
    whole = pl.when((capacity > 0) & (pl.col("total") > capacity)).then((pl.col("total") / capacity).floor())
    age = ((known.at - pl.col("reported_at")).dt.total_seconds() / 60).clip(lower_bound=0)
    return frame.with_columns(whole=whole.fill_null(0.0), age=age).with_columns(
        used=pl.when(pl.col("whole") > 0).then(pl.col("total") - pl.col("whole") * capacity).otherwise(pl.col("total")),
        unseen_minutes=pl.col("age").fill_null(0.0).clip(upper_bound=60.0),
        basis=pl.when(pl.col("total").is_null())
        .then(pl.lit("no counter reports: told by check-ins, the site's other boxes, or the forecast pace"))
        .when(pl.col("whole") > 0)
        .then(
            pl.format(
                "{} ballots counted, more than the box holds: emptied at least once, not entered",
                pl.col("total").cast(pl.Int64),
            )
        )
        .otherwise(pl.format("counter, {} min old", pl.col("age").round(0).cast(pl.Int64))),
    )


def site_demand(known: Known, loads: pl.DataFrame) -> pl.DataFrame:
    """Loads with `boxes` a site, and `guess`: ballots in one box by now if the pace to come had held since opening."""
    boxes = (
        known.units.filter(pl.col("type").is_in(list(BIN_TYPES)) & pl.col("site_id").is_not_null())
        .group_by("site_id")
        .agg(boxes=pl.len())
    )
    open_for = ((known.at - pl.col("opens_at")).dt.total_seconds() / 60).clip(lower_bound=0)
    to_come = (pl.col("closes_at") - known.at).dt.total_seconds() / 60
    pace = pl.when(to_come > 30).then(pl.col("remaining_voters_mean") / to_come).otherwise("arrivals_per_minute")
    return (
        known.sites.select("site_id", "opens_at", "closes_at")
        .join(loads, on="site_id", how="left")
        .join(boxes, on="site_id", how="left")
        .join(site_checkins(known), on="site_id", how="left")
        .with_columns(boxes=pl.col("boxes").fill_null(1).cast(pl.Float64))
        .with_columns(guess=(open_for * pace / pl.col("boxes")).fill_null(0.0))
    )


def share_of_site(boxes: pl.DataFrame) -> Floats:
    """Each box's share of what its site still brings: by the ballots read so far, drawn to equal shares.

    Twenty ballots' weight on equal shares (our choice): the first few ballots of a day say little.
    """
    read = inside() + 20.0
    return boxes.select(read / read.sum().over("site_id")).to_series().to_numpy()


def inside() -> pl.Expr:
    """Ballots read by each box so far.

    Boxes that do not report share what the poll books checked in and the others did not read; without poll books one
    is taken to be like the others of its site, and without those to have filled at the forecast pace.
    """
    silent = pl.col("total").is_null().sum().over("site_id")
    unread = (pl.col("site_checkins") - pl.col("total").sum().over("site_id")).clip(lower_bound=0) / silent
    like = pl.col("total").mean().over("site_id")
    return pl.coalesce("total", pl.when(silent > 0).then(unread), like, "guess")


def site_checkins(known: Known) -> pl.DataFrame:
    """Voters checked in a site by its electronic poll books; those that do not report are taken to be like the rest."""
    books = known.units.filter((pl.col("type") == "electronic-poll-book") & pl.col("site_id").is_not_null())
    counted = known.status.filter(pl.col("checkins").is_not_null())
    totals = with_increments(counted, "checkins").group_by("unit_id").agg(checkins=pl.col("new_checkins").sum())
    mean = (
        books.join(totals, on="unit_id", how="left").group_by("site_id").agg(pl.col("checkins").mean(), many=pl.len())
    )
    return mean.select("site_id", site_checkins=pl.col("checkins") * pl.col("many"))


def own_pace(boxes: pl.DataFrame, share: Floats) -> Floats:
    """Factor on the forecast stream into each box: half way (on a logarithm) to the box's own pace lately.

    The forecast knows the day's shape, the box its own use; where they disagree the doubt grows by as much.
    """
    lately = boxes["lately"].fill_null(0).to_numpy().astype(float)
    minutes = boxes["lately_minutes"].fill_null(0.0).to_numpy()
    forecast = share * boxes["arrivals_per_minute"].fill_null(0).to_numpy() * minutes
    has = (minutes >= PACE_MINUTES / 3) & (forecast > 1)
    return np.where(has, np.sqrt(np.clip((lately + 5) / (forecast + 5), 0.25, 4.0)), 1.0)


def remaining_of(boxes: pl.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
    """Arrivals a minute over the next hour, all still to come (mean), its relative standard deviation, minutes left."""
    mean = boxes["remaining_voters_mean"].fill_null(0).to_numpy()
    wide = (boxes["remaining_voters_high"].fill_null(0) - boxes["remaining_voters_low"].fill_null(0)).to_numpy()
    relative = np.divide(wide / (2 * Z90), mean, out=np.full_like(mean, 0.2), where=mean > 0)
    pace = boxes["arrivals_per_minute"].fill_null(0).to_numpy()
    return pace, mean, np.clip(relative, 0.02, 2.0), boxes["minutes_to_close"].fill_null(0).to_numpy()


def filling(
    known: Known, boxes: pl.DataFrame, room: Floats, share: Floats, share_spread: Floats, unsure: Floats, extra: Floats
) -> pl.DataFrame:
    """Adds full_at_low, _mean, _high and chance_full for `room` more sheets.

    The stream is the site's forecast times the share, `extra` people already in line first. Its doubt is that of the
    forecast, of the share, and of counting (Poisson); `unsure` is the doubt of what is inside now [ballots].
    """
    pace, rest, relative, left = remaining_of(boxes)
    due = share * (rest + extra)
    doubt = np.sqrt(relative**2 + share_spread**2)
    sd = np.sqrt((doubt * due) ** 2 + due + unsure**2 + 1e-9)
    # A box whose count is known and over is full; where the count is a guess, fullness is one too.
    is_open = (due > 0) | (unsure > 0)
    chance = np.where((room <= 0) & (unsure == 0), 1.0, np.where(is_open, stats.norm.cdf((due - room) / sd), 0.0))
    later = np.divide(rest - pace * np.minimum(left, 60), left - 60, out=pace.copy(), where=left > 61)
    later = np.where(later > 0, later, pace)
    near = np.maximum(room, 1.0)
    # Over an hour or two the pace is less sure than the total of the day, which the forecast's interval is about.
    pace_doubt = known.settings["supplies.pace_spread"]
    wide = Z90 * np.sqrt(doubt**2 + pace_doubt**2 + 1 / near + (unsure / near) ** 2)
    minutes = {
        "low": minutes_until(near / (1 + wide), share, extra, pace, later),
        "mean": minutes_until(near, share, extra, pace, later),
        "high": minutes_until(near * (1 + wide), share, extra, pace, later),
    }
    at = {f"full_at_{name}": moments(known, np.where(room <= 0, 0.0, value)) for name, value in minutes.items()}
    return boxes.with_columns(**at, chance_full=pl.Series(np.clip(chance, 0, 1)))


def minutes_until(sheets: Floats, share: Floats, extra: Floats, pace: Floats, later: Floats) -> Floats:
    """Minutes until so many sheets have come: the next hour's pace, then the pace of the rest. Infinite without one."""
    first = share * pace * 60 + share * extra
    slow = np.maximum(sheets - first, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        within = np.where(share * pace > 0, np.maximum(sheets - share * extra, 0) / (share * pace), np.inf)
        beyond = 60 + np.where(share * later > 0, slow / (share * later), np.inf)
    return np.where(sheets <= first, np.where(np.isfinite(within), within, 0.0), beyond)


def moments(known: Known, minutes: Floats) -> pl.Series:
    """Times so many minutes after T; null where that is further off than a week."""
    told = np.where(np.isfinite(minutes) & (minutes <= HORIZON_MINUTES), minutes, np.nan)
    ahead = pl.Series(told * 60e6).fill_nan(None).round(0).cast(pl.Int64).cast(pl.Duration("us"))
    return pl.select(pl.lit(known.at).cast(pl.Datetime("us", "UTC")) + ahead).to_series()


def paper(known: Known) -> pl.DataFrame:
    """Report paper, by the last report of each unit: only ok, low or out is known."""
    s = known.settings
    last = (
        known.status.filter(pl.col("paper").is_not_null())
        .sort("unit_id", "occurred_at", "sequence")
        .group_by("unit_id", maintain_order=True)
        .last()
        .join(known.units.select("unit_id", "site_id"), on="unit_id", how="inner")
    )
    age = (pl.lit(known.at) - pl.col("occurred_at")).dt.total_minutes().clip(lower_bound=0)
    chances = {"ok": s["supplies.paper_ok_chance"], "low": s["supplies.paper_low_chance"], "out": 1.0}
    return last.select(
        "unit_id",
        "site_id",
        item=pl.lit("paper"),
        style=pl.lit(None, pl.String),
        used=pl.lit(None, pl.Float64),
        capacity=pl.lit(None, pl.Float64),
        state="paper",
        full_at_low=no_time(),
        full_at_mean=no_time(),
        full_at_high=no_time(),
        chance_full=pl.col("paper").replace_strict(chances, return_dtype=pl.Float64),
        basis=pl.format("reported {}, {} min ago", "paper", age),
    )


def no_time() -> pl.Expr:
    """A null time."""
    return pl.lit(None, pl.Datetime("us", "UTC"))


def ballots(known: Known, loads: pl.DataFrame) -> pl.DataFrame:
    """Blank ballots by style, where a site reports its stock; `full_at` is when they run out."""
    stock = (
        known.ballot_stock.filter(pl.col("at") <= known.at)
        .sort("site_id", "style", "at")
        .group_by("site_id", "style", maintain_order=True)
        .agg(
            first=pl.col("on_hand").max().cast(pl.Float64),
            on_hand=pl.col("on_hand").last().cast(pl.Float64),
            counted_at=pl.col("at").last(),
        )
        .join(site_demand(known, loads), on="site_id", how="left")
    )
    if stock.is_empty():
        return empty(estimates.Supplies)
    s = known.settings
    age = ((known.at - pl.col("counted_at")).dt.total_seconds() / 60).clip(0, 120)
    weight = pl.col("first") - pl.col("on_hand") + 0.1 * pl.col("first") + 1  # use so far, drawn to the allotment
    stock = stock.with_columns(age=age, share=weight / weight.sum().over("site_id"), styles=pl.len().over("site_id"))
    share = stock["share"].to_numpy()
    gone = share * stock["arrivals_per_minute"].fill_null(0).to_numpy() * stock["age"].to_numpy()
    spread = np.where(stock["styles"].to_numpy() > 1, s["supplies.share_spread"], 0.0)
    room = np.maximum(stock["on_hand"].to_numpy() - gone, 0)
    waiting = stock["checkin_waiting"].fill_null(0).to_numpy()
    # Spoiled ballots are replaced, so that more sheets go out than voters come in.
    filled = filling(known, stock, room / (1 + s["supplies.spoiled_share"]), share, spread, 0.1 * gone, waiting)
    return filled.with_columns(
        unit_id=pl.lit(None, pl.String),
        item=pl.lit("ballots"),
        used=pl.col("first") - pl.col("on_hand"),
        capacity=pl.col("first"),
        state=pl.lit(None, pl.String),
        basis=pl.format("stock count, {} min old", pl.col("age").round(0).cast(pl.Int64)),
    )
