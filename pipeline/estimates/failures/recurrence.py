"""How faults come back: the mean cumulative function of a fleet, and how long a fix holds (Kaplan–Meier)."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Floats = NDArray[np.float64]
Z90 = 1.6448536269514722  # 95 % point of the normal: two-sided 90 % bounds [-]


def mean_cumulative(
    unit: ArrayLike,
    at: ArrayLike,
    ends: ArrayLike,
    grid: ArrayLike,
    weight: ArrayLike | None = None,
    group: ArrayLike | None = None,
) -> tuple[Floats, Floats]:
    """Mean cumulative function at the ages of `grid`: mean number of events a unit by then, and its variance.

    Parameters
    ----------
    unit : index into `ends`, of each event
    at : age of the unit at each event, none after its end [any unit of exposure]
    ends : age up to which each unit was watched
    grid : ages, ascending, at which to tell it; a row a group
    weight : of each event, one by default
    group : of each unit, 0, 1, …: a curve for each; one group by default

    Returns
    -------
    Mean and variance, a row a group and a column an age.

    Source: Nelson, "Confidence limits for recurrence data", Technometrics 37 (1995); the variance is that of Lawless
    and Nadeau in the same volume: the sum over units of the square of their summed (events − mean)/units watched.
    """
    u, t, end = np.asarray(unit, int), np.asarray(at, float), np.asarray(ends, float)
    code = np.zeros(len(end), int) if group is None else np.asarray(group, int)
    g = np.atleast_2d(np.asarray(grid, float))
    w = np.ones(len(t)) if weight is None else np.asarray(weight, float)
    reach = 2 * (float(max(end.max(initial=0), t.max(initial=0), g.max(initial=0))) + 1)  # groups lie end to end
    line = np.sort(code * reach + end)
    last = np.searchsorted(line, (code[u] + 1) * reach - 1e-9)
    watched = np.maximum(last - np.searchsorted(line, code[u] * reach + t, side="left"), 1)
    where = code[u] * reach + t
    order = np.argsort(where, kind="stable")
    where, step = where[order], (w / watched)[order]
    mean, part = np.r_[0.0, np.cumsum(step)], np.r_[0.0, np.cumsum(step / watched[order])]
    starts = np.searchsorted(where, np.arange(len(g)) * reach, side="left")
    ages = np.arange(len(g))[:, None] * reach + g
    told = mean[np.searchsorted(where, ages, side="right")] - mean[starts][:, None]
    column = np.searchsorted(ages.ravel(), code[u] * reach + t, side="left") - code[u] * g.shape[1]
    own = np.bincount(u * (g.shape[1] + 1) + column, w / watched, len(end) * (g.shape[1] + 1))
    summed = np.cumsum(own.reshape(len(end), -1), axis=1)[:, :-1]
    seen = code[:, None] * reach + np.minimum(g[code], end[:, None])
    deviation = summed - (part[np.searchsorted(where, seen, side="right")] - part[starts[code]][:, None])
    variance = np.zeros(g.shape)
    np.add.at(variance, code, deviation**2)
    return told, variance


def positive_bounds(mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """5 % and 95 % bounds of a mean that cannot fall below nought: mean·exp(∓z·sd/mean); nought where it is nought.

    Source: Meeker and Escobar, "Statistical Methods for Reliability Data" (1998), chapter 16 (logarithmic scale).
    """
    wide = np.exp(np.minimum(Z90 * np.sqrt(variance) / np.where(mean > 0, mean, 1.0), 50.0))
    return mean / wide, mean * wide


def kaplan_meier(held: ArrayLike, came_back: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Share of fixes that still hold: times, share after each, and Greenwood's variance of its logarithm.

    Parameters
    ----------
    held : time from a fix to the next fault, or to the end of watching
    came_back : whether the fault came back then (else censored)

    Source: Kaplan and Meier, J. Am. Statist. Assoc. 53 (1958); Greenwood (1926).
    """
    t, back = np.asarray(held, float), np.asarray(came_back, bool)
    times = np.unique(t[back])
    if not len(times):
        return times, times.copy(), times.copy()
    watched = len(t) - np.searchsorted(np.sort(t), times, side="left")
    failed = np.bincount(np.searchsorted(times, t[back]), minlength=len(times))
    share = np.cumprod(1 - failed / watched)
    with np.errstate(divide="ignore"):
        spread = np.cumsum(np.where(watched > failed, failed / (watched * np.maximum(watched - failed, 1)), np.inf))
    return np.asarray(times, float), np.asarray(share, float), np.asarray(spread, float)


def share_held(held: ArrayLike, came_back: ArrayLike, after: float) -> tuple[float, float, float]:
    """Share of fixes that hold for `after`, with 5 % and 95 % bounds on the log(−log) scale.

    Source: Kalbfleisch and Prentice, "The Statistical Analysis of Failure Time Data" (2002), log-minus-log limits.
    Where none or all have come back the bounds are those of a binomial share (Clopper and Pearson 1934).
    """
    times, share, spread = kaplan_meier(held, came_back)
    n = int(np.searchsorted(times, after, side="right"))
    many = len(np.asarray(held, float))
    if n == 0:
        watched = int((np.asarray(held, float) >= after).sum())
        return 1.0, float(stats.beta.ppf(0.05, watched, 1)) if watched else 0.0, 1.0
    s, g = float(share[n - 1]), float(spread[n - 1])
    if s <= 0 or not np.isfinite(g):
        return 0.0, 0.0, float(stats.beta.ppf(0.95, 1, max(many, 1)))
    wide = Z90 * np.sqrt(g) / abs(np.log(s))
    return s, float(s ** np.exp(wide)), float(s ** np.exp(-wide))
