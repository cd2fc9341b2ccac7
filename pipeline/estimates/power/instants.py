"""Times as polars and numpy count them: a Python time as a literal costs more than what is worked out with it."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STAMP = pl.Datetime("us", "UTC")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(at: datetime) -> int:
    """Since the start of 1970 [us]."""
    return (at - EPOCH) // timedelta(microseconds=1)


def moment(at: datetime) -> pl.Expr:
    """A time as a literal."""
    return pl.lit(microseconds(at), dtype=pl.Int64).cast(STAMP)


def minutes_since(at: datetime, times: pl.Series) -> Floats:
    """Minutes from times to `at`, in whole seconds; negative for later ones, NaN where there is none."""
    seconds = (microseconds(at) - times.cast(pl.Int64).to_numpy()) / 1e6
    return np.asarray(np.trunc(seconds) / 60, float)


def at_offset(at: datetime, minutes: Floats) -> pl.Series:
    """Times so many minutes after `at`."""
    return pl.Series(microseconds(at) + np.round(minutes * 60e6).astype(np.int64)).cast(STAMP)
