"""The county's own day: how many come, against the published profile, as all sites together let it be seen.

The log of (arrivals / expected) is a level for the day plus an error of the profile that comes and goes within the
hour. Both are normal, so half-hours of throughput settle them by Gaussian-process regression (Rasmussen & Williams
2006, eq. 2.23 and 2.24, with an Ornstein-Uhlenbeck kernel). Each site's prior is learnt from the other sites only, and
each half-hour from those up to an hour after it: a fixed-lag smoother, so that the past does not change for ever.
"""

import dataclasses

import numpy as np
import polars as pl

from pipeline.compiled import compiled
from pipeline.contracts.known import Known
from pipeline.estimates.lines.arrivals import Floats, county_level
from pipeline.estimates.lines.filter import Places
from pipeline.estimates.lines.observations import Observations, Roster
from pipeline.estimates.lines.replay import LEAD, side_by_side

BIN_MINUTES = 30  # throughput is pooled over this [min]; our choice
LAGS = (2.0, 8.0)  # from arriving to a poll book, to a counter, when nobody waits [min]
TIMING_MINUTES = 4.0  # when the first voters come through is off by this everywhere [min]; our choice
TURNS = 3  # times that throughput is computed anew from the level found [count]; our choice
FEW = 2.0  # fewer voters expected in a bin say nothing [count]; our choice
NEWS_MINUTES = 10  # after which most units have told of a half-hour that ended [min]; our choice
ALL_MINUTES = 120  # after the first opening, in which all that is heard counts at once [min]; our choice
LAG_BINS = 2  # half-hours after one that say something of it: more moves it by under .01 on the days tried [count]
PLACES = 2  # decimals of the log that are kept: one per cent of the arrivals
AT_ONCE = 500  # sites worked out together; our choice [count]
STOPPED, JUMPED = 0.3, 3.0  # a site's part of its county's ratio below or above which a bin is left out; our choice


@dataclasses.dataclass(frozen=True)
class CountyDay:
    """What the other sites say of each site: log of (arrivals / expected) by minute, and its spread at T."""

    mean: Floats
    sd: Floats


def learn(known: Known, facts: Roster, places: Places, seen: Observations, now: int) -> CountyDay:
    """The county's day for every site of the roster."""
    sites, minutes = places.rates.shape
    bins = minutes // BIN_MINUTES + 1
    grid = places.first_minute + np.arange(minutes, dtype=np.float64)
    shape = np.zeros(minutes)
    middle = places.first_minute + (np.arange(bins) + 0.5) * BIN_MINUTES
    s, newest = known.settings, int((now - places.first_minute) // BIN_MINUTES)
    through = heard(seen.through, facts, places, now)
    last = through["end"].to_numpy().max(initial=now)
    until = int(np.clip(last + 1 - places.first_minute, 1, minutes))
    for _ in range(TURNS):
        counted, expected = binned(facts, places, through, expected_through(places, known, shape, until), bins)
        used = kept(counted, expected)
        own = np.stack([used * counted, used * expected, used])
        there = np.interp(middle, grid, shape)
        level, _ = settled(known, places, own.sum(axis=1, keepdims=True), there, middle, newest)
        shape = np.interp(grid, middle, level[0])
    others = own.sum(axis=1, keepdims=True) - own
    batches = np.array_split(np.arange(sites), max(sites // AT_ONCE, 1))
    parts = side_by_side(lambda some: settled(known, places, others[:, some], there, middle, newest), batches)
    mean, variance = (np.concatenate(part) for part in zip(*parts, strict=True))
    day = np.array([np.interp(grid, middle, row) for row in mean]).reshape(sites, minutes)
    opening = np.clip((facts.opens - places.first_minute) // BIN_MINUTES, 0, bins - 1)
    sd = np.sqrt(variance[np.arange(sites), opening] + s["lines.site_sd"] ** 2)
    return CountyDay(day, sd.round(PLACES))


def heard(through: pl.DataFrame, facts: Roster, places: Places, now: int) -> pl.DataFrame:
    """Throughput up to the last edge of a half-hour of which most units have told; in the first two hours, all.

    A half-hour of which a few have told swings the county's level, and with it the past of every site, at each report.
    """
    edge = (now - NEWS_MINUTES - places.first_minute) // BIN_MINUTES * BIN_MINUTES + places.first_minute
    is_early = edge < facts.opens.min(initial=now) + ALL_MINUTES
    return through if is_early else through.filter(pl.col("end") <= edge)


def settled(
    known: Known, places: Places, pools: Floats, there: Floats, middle: Floats, newest: int
) -> tuple[Floats, Floats]:
    """Mean and variance by half-hour (pools x bins), each from the half-hours up to `LAG_BINS` after it only.

    What is said of a half-hour changes no more once those after it have come in, and by less than the rounding when
    one more site reports late: so the states of a replay up to then may serve again (`checkpoints.py`). All half-hours
    after the newest stand on the same.
    """
    shape = (pools.shape[1], len(middle))
    mean, variance = np.zeros(shape), np.zeros(shape)
    for start in range(min(max(newest, -1) + 2, len(middle))):
        asked = slice(start, start + 1 if start <= newest else len(middle))
        heard = slice(0, start + LAG_BINS + 1)
        mean[:, asked], variance[:, asked] = regress(
            known, places, pools[:, :, heard], there[heard], middle[heard], middle[asked]
        )
    return mean.round(PLACES), variance


def regress(
    known: Known, places: Places, pools: Floats, there: Floats, middle: Floats, grid: Floats
) -> tuple[Floats, Floats]:
    """Mean and variance at the minutes of a grid from pooled throughput, pools x minutes.

    Parameters
    ----------
    pools : voters counted, voters expected and number of sites: 3 x pools x half-hours [count]
    there : the log of the level with which the expected ones were reckoned, by half-hour
    """
    counted, expected, number = pools
    s = known.settings
    has = (expected > FEW) & (number > 0)
    ratio = np.where(has, np.log((counted + 1.0) / np.where(has, expected + 1.0, 1.0)) + there, 0.0)
    sites = np.maximum(number, 1.0)
    single = (s["lines.site_sd"] ** 2 + s["lines.burst_sd"] ** 2) / sites
    since = np.maximum(middle - places.first_minute - LEAD, BIN_MINUTES / 2)
    noise = np.where(has, single + 1.0 / np.maximum(counted, 1.0) + (TIMING_MINUTES / since) ** 2, np.inf)
    mean, variance = county_level(middle, ratio, noise, grid, s["lines.day_sd"])
    return mean, variance + np.where(has.any(axis=1), s["lines.site_sd"] ** 2 / sites.max(axis=1, initial=1), 0)[
        :, None
    ]


def binned(facts: Roster, places: Places, through: pl.DataFrame, curve: Floats, bins: int) -> tuple[Floats, Floats]:
    """Voters let through and expected, by site and by the half-hour in which they arrived."""
    at = through["site"].to_numpy()
    start, end, weight, number = (through[name].to_numpy() for name in ("start", "end", "weight", "number"))
    is_ballot = (weight != 1.0).astype(np.int64)
    begun = facts.opens[at].astype(np.float64)
    first = np.where(start > begun + 1, start, places.first_minute)
    a, b = (np.clip(x - places.first_minute, 0, curve.shape[2] - 1).astype(np.int64) for x in (first, end))
    arrived = (np.maximum(start, begun) + end) / 2 - np.array(LAGS)[is_ballot] - places.first_minute
    k = np.clip(arrived // BIN_MINUTES, 0, bins - 1).astype(np.int64)
    due = weight * np.maximum(curve[is_ballot, at, b] - curve[is_ballot, at, a], 0.0)
    sites, place = len(places.seeds), at * bins + k

    def pooled(values: Floats) -> Floats:
        return np.bincount(place, values, sites * bins).astype(np.float64).reshape(sites, bins)

    return pooled(number), pooled(due)


def kept(counted: Floats, expected: Floats) -> Floats:
    """Which bins of which sites count: not where hardly anybody was expected, a unit stood or a counter jumped."""
    enough = expected > FEW
    ratio = np.where(enough, counted / np.where(enough, expected, 1.0), np.nan)
    pooled = (enough * counted).sum(axis=0) / np.maximum((enough * expected).sum(axis=0), FEW)
    return np.asarray(enough & (ratio > STOPPED * pooled) & (ratio < JUMPED * np.maximum(pooled, 0.1)), np.float64)


def expected_through(places: Places, known: Known, shape: Floats, minutes: int) -> Floats:
    """Voters through check-in, and through a booth, in the first minutes of the day: running totals, as a fluid.

    Who waits or marks at the end of a span is not missed, and a full check-in does not look like a quiet day.
    Gives 2 x sites x (minutes + 1).
    """
    rates = places.rates[:, :minutes].astype(np.float64) * np.exp(shape[:minutes])
    speed = places.stations / known.settings["lines.checkin_minutes"]
    most = speed * places.pace[:, :minutes] * places.serving[:, :minutes]
    return fluid(rates, most.astype(np.float64), np.exp(-2 / known.settings["lines.marking_minutes"]))


@compiled
def fluid(rates: Floats, most: Floats, stay: float) -> Floats:
    """Running totals through check-in and through a booth: 2 x sites x (minutes + 1).

    Parameters
    ----------
    rates, most : voters who come, and whom check-in can serve at most, by minute: sites x minutes
    stay : part of those in a phase of marking who are still in it a minute later; there are two
    """
    sites, minutes = rates.shape
    total = np.zeros((2, sites, minutes + 1))
    for s in range(sites):
        here, begun, ending = 0.0, 0.0, 0.0
        for column in range(minutes):
            here += rates[s, column]
            checked = min(here, most[s, column])
            here -= checked
            ending += begun * (1 - stay)
            begun = begun * stay + checked
            marked = ending * (1 - stay)
            ending -= marked
            total[0, s, column + 1] = total[0, s, column] + checked
            total[1, s, column + 1] = total[1, s, column] + marked
    return total


def on_this_day(places: Places, day: CountyDay) -> Places:
    """The places with the arrivals that the county's day lets expect."""
    return dataclasses.replace(places, rates=(places.rates * np.exp(day.mean)).astype(np.float32))
