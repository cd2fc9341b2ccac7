"""Tests against a published limit that may be looked at all day: mixtures of likelihood ratios, valid at any look.

Let faults come at rate λ an hour (or a ballot) and let λ₀ be the limit. For every λ > λ₀ the likelihood ratio of λ to
λ₀ is a supermartingale as long as the true rate is at most λ₀, and so is any mixture of them. By Ville's inequality it
ever reaches 1/α with probability at most α, however often it is looked at.

Source: Robbins, "Statistical methods related to the law of the iterated logarithm", Ann. Math. Statist. 41 (1970);
Ville (1939). For ballots that misfeed or not, with chance p ≤ λ₀, the Poisson ratio is conservative: the mean of
(λ/λ₀)^X·exp(λ₀ − λ) is at most exp(p·(λ/λ₀ − 1) + λ₀ − λ), which is at most 1, because 1 + x ≤ exp(x).
"""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy import special

Floats = NDArray[np.float64]
SHAPE = 1.0  # shape of the mixing gamma: the rate may be anything above the limit; our choice [-]
LOG_MOST = 600.0  # e-values are told up to exp(600): finite in JSON [-]


def log_e_value(events: ArrayLike, exposure: ArrayLike, limit: float, multiple: float = 5.0) -> Floats:
    """Logarithm of the mixture likelihood ratio against rates of at most `limit`.

    The mixture is a gamma of mean `multiple` · `limit`, cut off below the limit; its choice sets how soon a bad unit is
    seen, never the rate of false alarms.

    Parameters
    ----------
    events : faults so far [count]
    exposure : ballots or hours so far
    limit : the greatest rate allowed [1/ballot or 1/h]
    """
    k, t = np.asarray(events, float), np.maximum(np.asarray(exposure, float), 0.0)
    scale = SHAPE / (multiple * limit)
    cut = np.log(special.gammaincc(SHAPE, scale * limit))
    tail = np.log(np.maximum(special.gammaincc(SHAPE + k, (scale + t) * limit), 1e-300))
    prior = SHAPE * np.log(scale) - special.gammaln(SHAPE) - cut
    return prior + special.gammaln(SHAPE + k) - (SHAPE + k) * np.log(scale + t) + tail - k * np.log(limit) + limit * t


def anytime_p(log_e: ArrayLike) -> Floats:
    """The p-value that goes with the greatest e-value so far: valid at any look. Source: Ville's inequality."""
    return np.minimum(1.0, np.exp(-np.minimum(np.asarray(log_e, float), LOG_MOST)))


def against_limit(
    faults: pl.DataFrame, exposure: pl.DataFrame, limit: float, multiple: float, name: str
) -> pl.DataFrame:
    """Each unit's test against a limit: columns unit_id, `NAME_e_value` (now) and `NAME_p` (valid at any look).

    Parameters
    ----------
    faults : unit_id, exposure at the moment of the fault; a row a fault, those of a unit together
    exposure : unit_id, exposure: up to now; units without any are left out
    """
    units = exposure.filter(pl.col("exposure") > 0).sort("unit_id").with_row_index("nth")
    now = units["exposure"].to_numpy().astype(float)
    own = faults.join(units.select("unit_id", "nth"), on="unit_id")
    nth, then = own["nth"].to_numpy(), own["exposure"].to_numpy().astype(float)
    order = np.lexsort((then, nth))
    nth, then = nth[order], np.minimum(then[order], now[nth[order]])
    begins = np.searchsorted(nth, np.arange(len(now) + 1))
    so_far = np.arange(len(nth)) - begins[nth] + 1
    at_end = np.minimum(log_e_value(np.diff(begins), now, limit, multiple), LOG_MOST)
    best = at_end.copy()
    # Between faults the evidence only falls, so the greatest so far stands at a fault or at the present.
    np.maximum.at(best, nth, np.minimum(log_e_value(so_far, then, limit, multiple), LOG_MOST))
    return units.select(
        "unit_id", pl.Series(f"{name}_e_value", np.exp(at_end)), pl.Series(f"{name}_p", anytime_p(best))
    )
