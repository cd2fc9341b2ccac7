"""Ballot boxes: what is in the main compartment and the emergency one, and when each is full."""

from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.contracts.moments import spelled, spelled_out
from pipeline.estimates.counters import explained, openings, with_increments
from pipeline.estimates.stock.filling import filling, moments
from pipeline.estimates.stock.shares import learnt_doubt, learnt_shares
from pipeline.normalise.entered import standing

Floats = NDArray[np.float64]
PACE_MINUTES = 90.0  # a box's own pace is that of so long before T; our choice [min]
BIN_TYPES = ("scan-single",)  # SP 1500-101 device types with a ballot box below
REFERENCE_LENGTH_IN, REFERENCE_STOCK_LB = 14.0, 100.0  # the ballot that a stated capacity is about: our choice [in, lb]


def boxes_at(known: Known, loads: pl.DataFrame) -> pl.DataFrame:
    """The sites' boxes with what each has read, its share of the stream and the site's demand."""
    frame = with_used(known).join(site_demand(known, loads), on="site_id", how="left")
    # A site that nobody listed has no demand; its boxes are told all the same.
    filled = frame.with_columns(pl.col("boxes").fill_null(1.0), pl.col("guess").fill_null(0.0))
    return learnt_shares(filled, known.settings)


def main_compartments(known: Known, boxes: pl.DataFrame) -> pl.DataFrame:
    """The main compartments of the boxes at the sites."""
    if boxes.is_empty():
        return empty(estimates.Supplies)
    s = known.settings
    share = share_of_site(boxes)
    several = boxes["boxes"].to_numpy() > 1
    spread = np.where(several, boxes["share_doubt"].to_numpy(), 0.0)
    is_silent = boxes["total"].is_null().to_numpy()
    ahead = own_pace(boxes, share)
    pace_doubt = learnt_doubt(boxes, s["supplies.pace_spread"])
    # What was read since the last report went in unseen: the pace of the next hour stands for it.
    pace = share * ahead * boxes["arrivals_per_minute"].fill_null(0).to_numpy()
    unseen = pace * boxes["unseen_minutes"].to_numpy()
    guess = boxes.select(inside()).to_series().to_numpy()
    used = np.where(is_silent, guess, boxes["used"].fill_null(0).to_numpy()) + unseen
    capacity = capacity_of(boxes, known)
    # What is inside a silent box is told from the others by the odds of its share, p/(1 − p), whose relative error is
    # that of p over 1 − p.
    odds = spread / np.clip(1 - share, 0.2, 1.0)
    doubt = np.where(is_silent, np.hypot(s["supplies.unreported_spread"], odds), 0.0)
    unsure = np.sqrt((doubt * used) ** 2 + np.where(is_silent, 0.0, unseen + (pace_doubt * unseen) ** 2))
    unsure = np.where(unseen + doubt > 0, unsure, 0.0)
    wide = np.sqrt(spread**2 + doubt**2 + np.log(ahead) ** 2)
    waiting = boxes["scanner_waiting"].fill_null(0).to_numpy()
    filled = filling(known, boxes, capacity - used, share * ahead, wide, unsure, waiting, pace_doubt)
    return filled.with_columns(
        item=pl.lit("bin"),
        style=pl.lit(None, pl.String),
        capacity=pl.Series(capacity),
        state=pl.lit(None, pl.String),
    )


def capacity_of(boxes: pl.DataFrame, known: Known) -> Floats:
    """Ballots that each main compartment holds.

    The roster's figure is about ballots of one sheet of 14 in on 100 lb stock. Sheets of heavier stock pile up higher;
    longer ones lie less flat; a ballot of two sheets takes the room of two. At the settings' defaults nothing changes.
    """
    s = known.settings
    stated = boxes["bin_capacity"].fill_null(s["supplies.bin_capacity"]).to_numpy().astype(float)
    thickness = REFERENCE_STOCK_LB / s["supplies.ballot_stock_lb"]
    length = min(1.0, REFERENCE_LENGTH_IN / s["supplies.ballot_length_in"])
    return stated * thickness * length / s["supplies.sheets_per_ballot"]


def emergency_compartments(known: Known, boxes: pl.DataFrame, supply: pl.DataFrame | None) -> pl.DataFrame:
    """The emergency compartments: they take ballots while a scanner stands still, and nobody counts them meanwhile.

    While it stands still they fill at its share of the arrivals. One that runs now may stop once more today: the chance
    is that it stops at the fleet's rate of this setting and is not mended before the compartment is full.
    """
    if boxes.is_empty():
        return empty(estimates.Supplies)
    s = known.settings
    halts = boxes.select("unit_id").join(stopped(known, supply), on="unit_id", how="left", maintain_order="left")
    still = halts["still_minutes"].fill_null(0.0).to_numpy()
    earlier = halts["earlier_minutes"].fill_null(0.0).to_numpy()
    pace = share_of_site(boxes) * boxes["arrivals_per_minute"].fill_null(0).to_numpy()
    capacity = np.full(boxes.height, float(s["supplies.emergency_capacity"]))
    used = np.minimum(pace * (still + earlier), capacity)
    room = capacity - used
    minutes = np.divide(room, pace, out=np.full(len(pace), np.inf), where=pace > 0)
    left = boxes["minutes_to_close"].fill_null(0).to_numpy()
    mended = s["repeats.hard_fault_minutes"]
    outlasts = np.where(minutes < left, np.exp(-np.minimum(minutes / max(mended, 1e-9), 700.0)), 0.0)
    stops = 1 - np.exp(-left / 60 / s["supplies.hours_between_stops"])
    is_still = still > 0
    at = {
        "low": minutes / (1 + 0.5),
        "mean": minutes,
        "high": minutes * (1 + 0.5),
    }  # half as fast or slow again: a guess
    times = {f"full_at_{name}": moments(known, np.where(is_still, value, np.inf)) for name, value in at.items()}
    told = [
        f"stands still for {spelled(a)}: its ballots go here, about {round(n)} so far (not counted)"
        if a > 0
        else f"stood still for {spelled(b)} today: about {round(n)} ballots (not counted)"
        if b > 0
        else "not in use as far as is known"
        for a, b, n in zip(still, earlier, used, strict=True)
    ]
    return boxes.with_columns(
        **times,
        item=pl.lit("emergency"),
        style=pl.lit(None, pl.String),
        used=pl.Series(used),
        capacity=pl.Series(capacity),
        state=pl.lit(None, pl.String),
        chance_full=pl.Series(np.clip(np.where(is_still, outlasts, stops * outlasts), 0, 1)),
        rate_per_hour=pl.Series(np.where(is_still, pace * 60, 0.0)),
        basis=pl.Series(told),
    )


def stopped(known: Known, supply: pl.DataFrame | None) -> pl.DataFrame:
    """Minutes that scanners stood still today by their own reports: unit_id, still_minutes (now), earlier_minutes."""
    told = known.status.filter(pl.col("state").is_not_null()).sort("unit_id", "occurred_at", "sequence")
    following = pl.when(pl.col("unit_id").shift(-1) == pl.col("unit_id")).then(pl.col("occurred_at").shift(-1))
    halts = told.with_columns(is_last=following.is_null(), until=following.fill_null(known.at)).filter(
        pl.col("state") == "fault"
    )
    runs = halts.with_columns(minutes=((pl.col("until") - pl.col("occurred_at")).dt.total_seconds() / 60).clip(0, 720))
    # The run that reaches the last report is the present one.
    ends = told.group_by("unit_id").agg(
        is_still=pl.col("state").last() == "fault",
        since=pl.col("occurred_at").filter(pl.col("state") != "fault").max(),
    )
    now = (pl.col("occurred_at") > pl.col("since").fill_null(pl.col("occurred_at").min() - pl.duration(minutes=1))) & (
        pl.col("is_still")
    )
    by_unit = (
        runs.join(ends, on="unit_id")
        .with_columns(now=now)
        .group_by("unit_id")
        .agg(
            still_minutes=pl.col("minutes").filter("now").sum(),
            earlier_minutes=pl.col("minutes").filter(~pl.col("now")).sum(),
        )
    )
    if supply is None:
        return by_unit
    dark = supply.filter(pl.col("dark_since").is_not_null()).select(
        "unit_id", dark=((known.at - pl.col("dark_since")).dt.total_seconds() / 60).clip(0, 720)
    )
    both = by_unit.join(dark, on="unit_id", how="full", coalesce=True)
    return both.select(
        "unit_id",
        still_minutes=pl.max_horizontal(pl.col("still_minutes").fill_null(0.0), pl.col("dark").fill_null(0.0)),
        earlier_minutes=pl.col("earlier_minutes").fill_null(0.0),
    )


def with_used(known: Known) -> pl.DataFrame:
    """Boxes with `used`, the ballots inside by the last report, `unseen_minutes` since, and `basis`.

    A counter that falls means another unit or a restart: the box keeps its ballots, so increases are summed. An
    entry `bin-emptied` with the unit as target starts from nought.
    """
    emptied = (
        standing(known.entries)
        .filter(pl.col("action") == "bin-emptied")
        .group_by(unit_id="target")
        .agg(emptied_at=pl.col("at").max())
    )
    own = known.status.filter(pl.col("ballots_counted").is_not_null())
    reports = with_increments(own, "ballots_counted", opens=openings(known))
    since = reports.join(emptied, on="unit_id", how="left").with_columns(
        counts=pl.col("emptied_at").is_null() | (pl.col("occurred_at") > pl.col("emptied_at"))
    )
    used = since.group_by("unit_id").agg(
        total=pl.col("new_ballots_counted").filter("counts").sum().cast(pl.Float64),
        reported_at=pl.col("occurred_at").max(),
        **paces(known),
    )
    units = known.units.filter(pl.col("type").is_in(list(BIN_TYPES)) & pl.col("site_id").is_not_null())
    frame = (
        units.join(used, on="unit_id", how="left")
        .join(emptied, on="unit_id", how="left")
        .join(explained(reports, "ballots_counted"), on="unit_id", how="left")
        .sort("unit_id")
    )
    return with_emptied_unseen(frame, known)


def paces(known: Known) -> dict[str, pl.Expr]:
    """Ballots read in the last `PACE_MINUTES` and in the last hour and the one before, with the minutes covered."""
    new, at = pl.col("new_ballots_counted"), pl.col("occurred_at")
    lately = at > known.at - timedelta(minutes=PACE_MINUTES)
    # The first report in the window brings what came before the window.
    first = at.filter(lately).min()
    hour, before = known.at - timedelta(minutes=60), known.at - timedelta(minutes=120)
    return {
        "lately": new.filter(lately & (at > first)).sum(),
        "lately_minutes": (at.filter(lately).max() - first).dt.total_seconds() / 60,
        "last_hour": new.filter(at > hour).sum(),
        "hour_before": new.filter((at > before) & (at <= hour)).sum(),
    }


def with_emptied_unseen(frame: pl.DataFrame, known: Known) -> pl.DataFrame:
    """Takes whole boxes off a count that is above the capacity: somebody emptied it and did not say so."""
    capacity = pl.Series(capacity_of(frame, known))
    frame = frame.with_columns(holds=capacity)
    whole = pl.when((pl.col("holds") > 0) & (pl.col("total") > pl.col("holds"))).then(
        (pl.col("total") / pl.col("holds")).floor()
    )
    age = ((known.at - pl.col("reported_at")).dt.total_seconds() / 60).clip(lower_bound=0)
    frame = frame.with_columns(whole=whole.fill_null(0.0), age=age)
    said = (
        pl.when(pl.col("total").is_null())
        .then(pl.lit("no counter reports: told by check-ins, the site's other boxes, or the forecast pace"))
        .when(pl.col("whole") > 0)
        .then(
            pl.format(
                "{} ballots counted, more than the box holds: emptied at least once, not entered",
                pl.col("total").cast(pl.Int64),
            )
        )
        .otherwise(pl.format("counter, {} old", spelled_out(pl.col("age"))))
    )
    odd = pl.when(pl.col("oddities").is_not_null()).then(pl.format("; {}", "oddities")).otherwise(pl.lit(""))
    return frame.with_columns(
        used=pl.when(pl.col("whole") > 0).then(pl.col("total") - pl.col("whole") * pl.col("holds")).otherwise("total"),
        unseen_minutes=pl.col("age").fill_null(0.0).clip(upper_bound=60.0),
        basis=pl.concat_str([said, odd]),
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
    """Each box's share of what its site still brings: by the ballots read so far, drawn to the learnt shares.

    Twenty ballots' weight a box on the learnt share (our choice): the first few ballots of a day say little.
    """
    read = inside() + 20.0 * pl.col("usual_share") * pl.col("boxes")
    return boxes.select(read / read.sum().over("site_id")).to_series().to_numpy()


def inside() -> pl.Expr:
    """Ballots read by each box so far.

    Boxes that do not report share what the poll books checked in and the others did not read; without poll books one
    stands to the others of its site as boxes of its place do elsewhere; without those it filled at the forecast pace.
    """
    silent = pl.col("total").is_null()
    part = pl.col("usual_share")
    unread = (pl.col("site_checkins") - pl.col("total").sum().over("site_id")).clip(lower_bound=0)
    own_part = part / part.filter(silent).sum().over("site_id")
    heard = part.filter(~silent).sum().over("site_id")
    like = pl.when(heard > 0).then(pl.col("total").sum().over("site_id") * part / heard)
    return pl.coalesce("total", pl.when(silent).then(unread * own_part), like, pl.col("guess") * part * pl.col("boxes"))


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
