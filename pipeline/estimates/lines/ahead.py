"""The outlook: the particles run on under the arrivals expected, to each horizon and to the last voter."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contracts import estimates
from pipeline.errors import UsageError
from pipeline.estimates.lines.chances import Draws
from pipeline.estimates.lines.filter import Array, Floats, Ints
from pipeline.estimates.lines.lines import LineStates, line_schema, rows_at
from pipeline.estimates.lines.replay import BATCH, side_by_side
from pipeline.estimates.lines.runs import inside
from pipeline.estimates.lines.stepping import Speeds, step

CLOSE = "close"  # the horizon that is each site's scheduled closing
HORIZONS: tuple[int | str, ...] = (30, 60, 120)
FARTHEST = 1440  # nobody is told of a line further ahead [min]; our choice
AT_ONCE_MINUTES = 30  # after which the sites that are empty are left out [min]; our choice
AHEAD_PART = 2  # the outlook steps this part of the particles, after the last horizon that part of them [1 in]


def horizons_of(text: str) -> tuple[int | str, ...]:
    """Horizons as they are written on the command line: `30,60,close`.

    Raises
    ------
    UsageError : for a word that is no whole number of minutes from 1 to a day, and not `close`.
    """
    words = [word.strip() for word in text.split(",") if word.strip()]
    for word in words:
        if word != CLOSE and not (word.isascii() and word.isdigit() and 1 <= int(word) <= FARTHEST):
            raise UsageError(
                f"--ahead {word}: not whole minutes from 1 to {FARTHEST}, nor `{CLOSE}`. Write it like 30,60,{CLOSE}."
            )
    if not words:
        raise UsageError(f"--ahead: no horizon is named. Write it like 30,60,{CLOSE}.")
    minutes = sorted({int(word) for word in words if word != CLOSE})
    return (*minutes, *([CLOSE] if CLOSE in words else []))


@dataclass(frozen=True)
class Horizons:
    """How far ahead each site is looked at: minutes for all, and each site's own time to its closing (0: none)."""

    common: tuple[int, ...]
    closing: Ints

    def due(self, ahead: int) -> np.ndarray:
        """The sites that have rows at this many minutes ahead."""
        return np.asarray((self.closing == ahead) | (ahead in self.common))

    @property
    def last(self) -> int:
        """The farthest of them [min]."""
        return max(max(self.common, default=0), int(self.closing.max(initial=0)))


def horizons_at(states: LineStates, wanted: Sequence[int | str]) -> Horizons:
    """The horizons of every site at T. A site that has closed has no closing ahead of it."""
    now = states.places.first_minute + states.column
    closing = np.zeros(len(states.roster.site_ids), np.int64)
    if CLOSE in wanted:
        is_ahead = (states.roster.closes > now) & (states.roster.closes > states.roster.opens)
        closing = np.where(is_ahead, states.roster.closes - now, 0)
    return Horizons(tuple(int(h) for h in wanted if h != CLOSE), closing)


def outlook(states: LineStates, wanted: Sequence[int | str] = HORIZONS) -> pl.DataFrame:
    """The lines ahead of T; the rows of each site's last horizon say when its last voter leaves.

    Parameters
    ----------
    wanted : minutes ahead [min], and `close` for each site's scheduled closing
    """
    schema = line_schema(estimates.Outlook)
    sites, particles = states.state.shape[1:]
    if sites == 0:
        return pl.DataFrame(schema=schema)
    at_once = max(BATCH * AHEAD_PART // particles, 1)
    batches = [np.arange(k, min(k + at_once, sites)) for k in range(0, sites, at_once)]
    found = side_by_side(lambda some: outlook_of(states.of(some), wanted), batches)
    return pl.concat(found).select(*schema).sort("site_id", "line", "ahead_minutes")


def outlook_of(states: LineStates, wanted: Sequence[int | str]) -> pl.DataFrame:
    """The outlook of a few sites."""
    schema = line_schema(estimates.Outlook)
    z, places = states.state[:, :, ::AHEAD_PART].copy(), states.places
    horizons = horizons_at(states, wanted)
    draws, speeds = Draws(places.seeds, z.shape[2], places.scanners, purpose=2), Speeds(z)
    ends = np.full(z.shape[1:], np.nan)
    rows: list[tuple] = []
    last = min(states.column + horizons.last, places.rates.shape[1] - 1)
    for column in range(states.column + 1, last + 1):
        step(z, places, states.habits, column, draws.at(places.first_minute + column), speeds=speeds)
        note_ends(ends, states, z, column)
        ahead = column - states.column
        due = horizons.due(ahead)
        if due.any():
            found = rows_at(states, z, column, states.at + timedelta(minutes=ahead), due)
            rows += [(*row, float(ahead)) for row in found]
    going_on = replace(states, column=last, state=z[:, :, ::AHEAD_PART].copy())
    ends = run_out(going_on, ends[:, ::AHEAD_PART].copy())
    names = [*line_schema(), "ahead_minutes"]
    frame = pl.DataFrame(rows, schema={name: schema[name] for name in names}, orient="row")
    return with_last_voters(frame, last_voters(states, ends)).select(*schema)


def run_out(states: LineStates, ends: Floats) -> Floats:
    """When everybody has left, as far as the grid goes: sites x particles [min after local midnight].

    Parameters
    ----------
    ends : those already known, NaN for the others; a site is stepped on, half an hour at a time, while it has others
    """
    ends, sites, z, places = ends.copy(), np.arange(len(ends)), states.state, states.places
    first = states.column + 1
    while first < places.rates.shape[1]:
        going = np.flatnonzero(np.isnan(ends[sites]).any(axis=1))
        if not len(going):
            break
        states = replace(states, state=z).of(going)
        sites, z, places = sites[going], states.state, states.places
        draws, speeds, own = Draws(places.seeds, z.shape[2], places.scanners, purpose=3), Speeds(z), ends[sites]
        until = min(first + AT_ONCE_MINUTES, places.rates.shape[1])
        for column in range(first, until):
            step(z, places, states.habits, column, draws.at(places.first_minute + column), speeds=speeds)
            note_ends(own, states, z, column)
        ends[sites], first = own, until
    return ends


def note_ends(ends: Floats, states: LineStates, z: Array, column: int) -> None:
    """Note, in place, the minute in which a site has closed and nobody is left inside, where none is noted yet."""
    minute = states.places.first_minute + column
    has_closed = minute >= states.roster.closes
    if has_closed.any():
        ends[np.isnan(ends) & has_closed[:, None] & (inside(z) < 0.5)] = minute


def with_last_voters(frame: pl.DataFrame, last: pl.DataFrame) -> pl.DataFrame:
    """The rows of each site's last horizon with the last voter's times, the others with nulls."""
    times = [name for name in last.columns if name != "site_id"]
    is_last = pl.col("ahead_minutes") == pl.col("ahead_minutes").max().over("site_id")
    joined = frame.join(last, on="site_id", how="left")
    return joined.with_columns([pl.when(is_last).then(pl.col(name)).alias(name) for name in times])


def last_voters(states: LineStates, ends: Floats) -> pl.DataFrame:
    """When the last voter leaves each site: 5 %, mean, 95 %. Particles not done when the grid ends count as then."""
    limit = states.places.first_minute + states.places.rates.shape[1]
    filled = np.where(np.isnan(ends), limit, ends)
    now = states.places.first_minute + states.column

    def moment(minute: float) -> datetime:
        return states.at + timedelta(minutes=round(float(minute)) - now)

    rows = []
    for s, site_id in enumerate(states.roster.site_ids):
        low, high = np.quantile(filled[s], (0.05, 0.95))
        rows.append((site_id, moment(low), moment(filled[s].mean()), moment(high)))
    schema = line_schema(estimates.Outlook)
    names = ("site_id", "last_voter_at_low", "last_voter_at_mean", "last_voter_at_high")
    return pl.DataFrame(rows, schema={name: schema[name] for name in names}, orient="row")
