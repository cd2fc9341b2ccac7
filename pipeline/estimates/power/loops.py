"""The loops of power that are compiled: over reports, and over units and minutes ahead.

What comes in and goes out are arrays; what they mean stands beside the functions that call them.
"""

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Rows = NDArray[np.uint32]
Switches = NDArray[np.bool_]
Grid = NDArray[np.float64]  # a unit a row, a minute ahead a column
HALF_ROOT = math.sqrt(0.5)


@compiled
def find_runs(
    row: Rows, is_off: Switches, percent: Floats, at: Whole, now: int, least: float,
    w: Floats, told: Floats, begins: Whole, units: Whole,
) -> tuple[int, int]:  # fmt: skip
    """How many points there are in runs of reports from a battery, and how many runs.

    Parameters
    ----------
    row, is_off, percent, at : of each report its unit, whether it comes from the battery, what it says and when [us];
        those of one unit stand together, by their times
    now, least : T [us]; a lower percentage is no point
    w, told : filled with the points, run after run: minutes from T, percentages
    begins, units : filled by run: its first point, its unit
    """
    points, runs, is_new = 0, 0, True
    for i in range(len(row)):
        if i > 0 and (row[i] != row[i - 1] or is_off[i] != is_off[i - 1]):
            is_new = True
        if is_off[i] and percent[i] >= least:
            if is_new:
                begins[runs], units[runs] = points, row[i]
                runs, is_new = runs + 1, False
            w[points], told[points] = (at[i] - now) / 60e6, percent[i]
            points += 1
    return points, runs


@compiled
def sum_runs(
    w: Floats, y: Floats, begins: Whole, n: Whole, rate: Floats, exponent: float, g: Floats, sums: Grid
) -> None:
    """Sums of products about each run's means: ww, wy, yy, wg, gg, yg (rows of `sums`); a run a column.

    Parameters
    ----------
    w, y : minutes and charge of the points, run after run
    begins, n : where each run begins, and how many points it has
    rate : charge a minute by the roster
    exponent : of the gauge
    g : room for the slopes by the exponent, as long as `w`
    """
    for r in range(len(n)):
        first, end = begins[r], begins[r] + n[r]
        middle_w, middle, mean_g = 0.0, 0.0, 0.0
        for i in range(first, end):
            middle_w += w[i]
            middle += y[i]
        middle_w /= n[r]
        middle /= n[r]
        # The slope by the exponent is taken on the roster's line through the run's middle: at the reported charge, or
        # on the run's own line, it would share their errors, and err with them.
        for i in range(first, end):
            line = min(max(middle - rate[r] * (w[i] - middle_w), 0.02), 1.0)
            g[i] = math.log(line) * line / exponent
            mean_g += g[i]
        mean_g /= n[r]
        ww, wy, yy, wg, gg, yg = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(first, end):
            a, b, c = w[i] - middle_w, y[i] - middle, g[i] - mean_g
            ww += a * a
            wy += a * b
            yy += b * b
            wg += a * c
            gg += c * c
            yg += b * c
        sums[0, r], sums[1, r], sums[2, r], sums[3, r], sums[4, r], sums[5, r] = ww, wy, yy, wg, gg, yg


@compiled
def sum_points(unit: Whole, w: Floats, percent: Floats, charge: Floats, slope: Floats, sums: Grid) -> None:
    """What the reports from a battery add up to (`charge.SUMS`, rows of `sums`); a unit a column.

    Parameters
    ----------
    unit : of each report; those of one unit stand together, by their times
    w : minutes since the outage began
    percent : as reported, NaN where only the power was told; charge, slope : what it says
    """
    for i in range(len(unit)):
        u = unit[i]
        sums[7, u] = max(sums[7, u], w[i])
        if np.isnan(percent[i]):
            continue
        sums[0, u] += 1.0
        sums[1, u] += w[i]
        sums[2, u] += w[i] * w[i]
        sums[3, u] += charge[i]
        sums[4, u] += w[i] * charge[i]
        sums[5, u] += slope[i]
        sums[6, u] += w[i] * slope[i]
        if i > 0 and unit[i - 1] == u and not np.isnan(percent[i - 1]):
            sums[8, u] = max(sums[8, u], (percent[i] - percent[i - 1]) / 100)


@compiled
def chance_empty(line: Grid, age: Floats, known: Floats, ahead: Grid, found: Grid) -> None:
    """Probability that each unit is empty so many minutes from T, as it was not when it last reported.

    Parameters
    ----------
    line : level, rate, and their variances and covariance, a unit a column
    age : minutes since the outage began; known : probability of being empty at the last report
    ahead : minutes from T, a row a unit, or one for all
    """
    for i in range(len(age)):
        level, rate, level_var, rate_var, covariance = line[0, i], line[1, i], line[2, i], line[3, i], line[4, i]
        alive, row = max(1 - known[i], 1e-9), min(i, len(ahead) - 1)
        for j in range(ahead.shape[1]):
            w = age[i] + ahead[row, j]
            var = level_var + w * w * rate_var - 2 * w * covariance
            x = (level - rate * w) / math.sqrt(max(var, 1e-12)) * HALF_ROOT
            # A normal's tail: beyond these it is one, or nought, to the last digit.
            gone = 1.0 if x < -6.0 else 0.0 if x > 27.0 else 0.5 * math.erfc(x)
            found[i, j] = min(max((gone - known[i]) / alive, 0.0), 1.0)


@compiled
def integrate(u: Floats, lasts: Grid, gone: Grid, left: Floats, part: Grid, sums: Grid) -> None:
    """Chance of going dark, dark minutes, and dark minutes times how long ago, a unit a column (`stakes.integrals`).

    part : the part of each step of the grid that lies before the closing
    """
    for i in range(len(left)):
        chance, dark, late, minutes = gone[i, 0] if left[i] > 0 else 0.0, 0.0, 0.0, 0.0
        for j in range(len(u) - 1):
            width, survive = (u[j + 1] - u[j]) * part[i, j], (lasts[i, j + 1] + lasts[i, j]) / 2
            lasting, empty_now = width * survive, (gone[i, j + 1] + gone[i, j]) / 2
            chance += (gone[i, j + 1] - gone[i, j]) * survive * part[i, j]
            dark += empty_now * lasting
            minutes += empty_now * width
            late += (minutes - empty_now * width / 2) * lasting
        sums[0, i], sums[1, i], sums[2, i] = chance, dark, late


@compiled
def parts_before(u: Floats, left: Floats, part: Grid) -> None:
    """Part of each step of the grid (columns) that lies before the closing of each row."""
    for i in range(len(left)):
        for j in range(len(u) - 1):
            step, room = u[j + 1] - u[j], left[i] - u[j]
            part[i, j] = min(max(room / step, 0.0), 1.0) if step > 0 else 1.0 if room > 0 else 0.0


@compiled
def empty_at(u: Floats, gone: Grid, shares: Floats, found: Grid) -> None:
    """Minutes ahead at which each unit (rows) is empty with each of these chances (columns); infinity: never."""
    last = len(u) - 1
    for i in range(len(gone)):
        for k in range(len(shares)):
            after = 0
            for j in range(last + 1):
                after += gone[i, j] < shares[k]
            if after > last:
                found[i, k] = np.inf
                continue
            before = max(after - 1, 0)
            rise = max(gone[i, after] - gone[i, before], 1e-12)
            part = min(max((shares[k] - gone[i, before]) / rise, 0.0), 1.0)
            found[i, k] = u[before] + part * (u[after] - u[before])
