"""Closed forms of failure counting: tails, limits, reversals, false-discovery control, gamma-Poisson pooling.

All are textbook forms; each names its source. Units are units of exposure (hours, ballots), whatever the caller uses.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

Floats = NDArray[np.float64]
SHAPE_LOW, SHAPE_HIGH = 0.05, 200.0  # search bounds of the gamma shape; above 200 the fleet is one Poisson [-]


def misfeed_tail(misfeeds: int, ballots: int, rate: float = 0.002) -> float:
    """Probability of at least so many misfeeds when each ballot misfeeds at `rate`.

    Source: the binomial distribution; VVSG 2.0 (EAC, 2021) 1.2-G allows 0.002.
    """
    return float(stats.binom.sf(misfeeds - 1, ballots, rate))


def misfeed_limit(ballots: int, rate: float = 0.002, level: float = 0.05) -> int:
    """The least number of misfeeds that is improbable (below `level`) at the allowed rate."""
    return int(stats.binom.isf(level, ballots, rate)) + 1


def failure_chance(hours: float, mtbf: float) -> float:
    """Probability of a failure within `hours` at a constant rate of one in `mtbf` hours."""
    return float(-np.expm1(-hours / mtbf))


def garwood(events: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact limits of a Poisson mean. Source: Garwood, Biometrika 28 (1936)."""
    n, tail = np.asarray(events, float), (1 - level) / 2
    low = np.where(n > 0, stats.chi2.ppf(tail, np.maximum(2 * n, 1)) / 2, 0.0)
    return low, np.asarray(stats.chi2.ppf(1 - tail, 2 * n + 2) / 2, float)


def mtbf_limits(failures: int, exposure: float, level: float = 0.90) -> tuple[float, float]:
    """Limits of the mean time between failures of a time-terminated test.

    With no failure only a one-sided lower bound at `level` exists; the upper is infinite.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1.
    """
    if failures == 0:
        return exposure / -float(np.log1p(-level)), float("inf")
    low, high = garwood(failures, level)
    return exposure / float(high), exposure / float(low)


def reversals(times: ArrayLike) -> tuple[int, int]:
    """Reversals among the times between failures, and the most that are possible.

    Many reversals mean that the times grow longer. Source: NIST/SEMATECH e-Handbook 8.2.3.4, reverse arrangement test.
    """
    gaps = np.diff(np.asarray(times, float), prepend=0.0)
    count = int(sum((gaps[i + 1 :] > gaps[i]).sum() for i in range(len(gaps))))
    return count, len(gaps) * (len(gaps) - 1) // 2


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """The smallest false-discovery rate at which each is rejected (q-values).

    Source: Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995), step-up procedure.
    """
    p = np.asarray(p_values, float)
    if p.size == 0:
        return p
    order = np.argsort(-p, kind="stable")
    ranks = np.arange(len(p), 0, -1)
    q = np.empty_like(p)
    q[order] = np.minimum(1.0, np.minimum.accumulate(p[order] * len(p) / ranks))
    return q


def gamma_poisson_likelihood(shape: float, rate: float, events: Floats, exposure: Floats) -> float:
    """Log-likelihood of counts whose rates are gamma distributed, up to a constant of the data."""
    terms = special.gammaln(shape + events) - special.gammaln(shape) + shape * np.log(rate)
    return float((terms - (shape + events) * np.log(rate + exposure)).sum())


def gamma_poisson_fit(events: ArrayLike, exposure: ArrayLike) -> tuple[float, float]:
    """Shape and rate of the gamma that the units' rates come from, by maximum likelihood.

    A unit without exposure says nothing and is left out. Without any event the rate is what one event in twice the
    exposure would give, so that the answer stays finite.

    Source: Gaver and O'Muircheartaigh, Technometrics 29 (1987).
    """
    n, t = np.asarray(events, float), np.asarray(exposure, float)
    n, t = n[t > 0], t[t > 0]
    if n.size == 0 or n.sum() == 0:
        return 1.0, 2 * float(t.sum()) if t.sum() > 0 else 1.0

    def best_rate(shape: float) -> float:
        # For a given shape the score in the rate falls monotonically: one root, around shape * exposure / events.
        centre = np.log(shape * t.sum() / n.sum())

        return root_of_score(shape, n, t, float(centre))

    def loss(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        return -gamma_poisson_likelihood(shape, best_rate(shape), n, t)

    found = optimize.minimize_scalar(loss, bounds=(np.log(SHAPE_LOW), np.log(SHAPE_HIGH)), method="bounded")
    shape = float(np.exp(found.x))
    return shape, best_rate(shape)


def root_of_score(shape: float, events: Floats, exposure: Floats, centre: float) -> float:
    """The rate at which the likelihood of a given shape is greatest: Newton's steps, kept between bounds that close in.

    Parameters
    ----------
    centre : logarithm of a first guess; the root lies within 12 of it
    """
    low, high, x = centre - 12, centre + 12, centre
    for _ in range(100):
        rate = np.exp(x)
        share = rate / (rate + exposure)
        value = float((shape - (shape + events) * share).sum())
        slope = -float(((shape + events) * share * (1 - share)).sum())
        low, high = (x, high) if value > 0 else (low, x)
        step = x - value / slope if slope < 0 else low
        step = step if low < step < high else (low + high) / 2
        if abs(step - x) < 1e-11:
            break
        x = step
    return float(np.exp(x))
