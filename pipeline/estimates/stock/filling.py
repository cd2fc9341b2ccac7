"""When a stream fills what is left of a box or uses up a stock: times with an interval, and the chance by closing."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from pipeline.contracts.known import Known

Floats = NDArray[np.float64]
Z90 = 1.6449  # 95 % point of the normal [-]
HORIZON_MINUTES = 7 * 24 * 60.0  # a filling time further off than a week is not told [min]


def remaining_of(frame: pl.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
    """Arrivals a minute over the next hour, all still to come (mean), its relative standard deviation, minutes left."""
    mean = frame["remaining_voters_mean"].fill_null(0).to_numpy()
    wide = (frame["remaining_voters_high"].fill_null(0) - frame["remaining_voters_low"].fill_null(0)).to_numpy()
    relative = np.divide(wide / (2 * Z90), mean, out=np.full_like(mean, 0.2), where=mean > 0)
    pace = frame["arrivals_per_minute"].fill_null(0).to_numpy()
    return pace, mean, np.clip(relative, 0.02, 2.0), frame["minutes_to_close"].fill_null(0).to_numpy()


def filling(
    known: Known,
    frame: pl.DataFrame,
    room: Floats,
    share: Floats,
    share_spread: Floats,
    unsure: Floats,
    extra: Floats,
    pace_doubt: float,
) -> pl.DataFrame:
    """Adds full_at_low, _mean, _high, chance_full and rate_per_hour for `room` more sheets.

    The stream is the site's forecast times the share, `extra` people already in line first. Its doubt is that of the
    forecast, of the share, and of counting (Poisson); `unsure` is the doubt of what is inside now [ballots].
    `pace_doubt` is how much one hour's pace differs from the one before (one sd, relative).
    """
    pace, rest, relative, left = remaining_of(frame)
    due = share * (rest + extra)
    doubt = np.sqrt(relative**2 + share_spread**2)
    sd = np.sqrt((doubt * due) ** 2 + due + unsure**2 + 1e-9)
    # A box whose count is known and over is full; where the count is a guess, fullness is one too.
    is_open = (due > 0) | (unsure > 0)
    chance = np.where((room <= 0) & (unsure == 0), 1.0, np.where(is_open, stats.norm.cdf((due - room) / sd), 0.0))
    later = np.divide(rest - pace * np.minimum(left, 60), left - 60, out=pace.copy(), where=left > 61)
    later = np.where(later > 0, later, pace)
    near = np.maximum(room, 1.0)
    mean = minutes_until(near, share, extra, pace, later)
    # Over an hour or two the pace is less sure than the day's total, which the forecast's interval is about; hours that
    # differ each on their own even out over a longer time.
    hours = np.clip(np.where(np.isfinite(mean), mean, HORIZON_MINUTES) / 60, 1.0, None)
    relative_doubt = np.sqrt(doubt**2 + pace_doubt**2 / hours)
    wide = Z90 * np.sqrt(relative_doubt**2 + 1 / near + (unsure / near) ** 2)
    minutes = {
        "low": minutes_until(least_needed(near, relative_doubt, unsure), share, extra, pace, later),
        "mean": mean,
        "high": minutes_until(near * (1 + wide), share, extra, pace, later),
    }
    at = {f"full_at_{name}": moments(known, np.where(room <= 0, 0.0, value)) for name, value in minutes.items()}
    return frame.with_columns(
        **at, chance_full=pl.Series(np.clip(chance, 0, 1)), rate_per_hour=pl.Series(share * pace * 60)
    )


def least_needed(room: Floats, doubt: Floats, unsure: Floats) -> Floats:
    """The expected stream that fills `room` with a chance of 5 %: m + z·sqrt((doubt·m)² + m + unsure²) = room.

    Nought where what is inside is so doubtful that it may be full already. Found by halving, as the left side grows.
    """
    low, high = np.zeros_like(room), room.copy()
    for _ in range(40):
        middle = (low + high) / 2
        is_over = middle + Z90 * np.sqrt((doubt * middle) ** 2 + middle + unsure**2) > room
        low, high = np.where(is_over, low, middle), np.where(is_over, middle, high)
    return (low + high) / 2


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
