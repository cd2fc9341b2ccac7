"""How a scanner's report weighs the particles: ballots since the report before, and what it says of itself.

Compiled, a site at a time: these are most of a day's rows.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.estimates.lines import observations as seen
from pipeline.estimates.lines.chances import TURN, WHOLE, Chances
from pipeline.estimates.lines.filter import (
    HEAD,
    JAM,
    SCANNING,
    STOP,
    UP,
    Array,
    Floats,
    Ints,
    student_log,
    take_mean,
    temper,
)

MOVED = 0.10  # part of the particles moved to what a report shows; our choice, measured in docs/methods/lines.md
FLOOR = 1e-4  # of the kernels: larger makes every long line an outlier; likewise
SCAN_SD = 2.5  # kernel of a counter's step [ballots]; wider with the age of the report before it
STEP_SHARE = 0.06  # and with the step [1]
LATE, PER_LATE_MINUTE = 12.0, 0.02  # and where the report before is older than this [min]: variance a minute
KEPT = 0.85  # of a single counter's misfit that goes over to the next step: a total does not drift; our choice, from
# the Kalman gain for 2 % of the voters counted elsewhere against SCAN_SD
MIXED = 0.45  # of several scanners the first free one serves: each one's part is that uncertain; our choice
# Chance that a scanner in a state (up, jam, stopped) reports fault, paused, well, closed; our choice
REPORTED = np.log(
    np.array([[0.004, 0.02, 0.97, 0.006, 1], [0.7, 0.1, 0.195, 0.005, 1], [0.9, 0.06, 0.03, 0.01, 1]], dtype=np.float64)
)


@compiled
def weigh_reports(
    z: Array, logw: Floats, most: int, chance: Chances, rows: Floats, scanners: Ints,
    is_dark: NDArray[np.bool_], is_split: NDArray[np.bool_], reported: Floats,
) -> None:  # fmt: skip
    """Weigh by the reports of one minute, one a site, in place.

    Parameters
    ----------
    z, logw : the state, and the logs of weights of either part of it
    most : scanners at the site with most of them
    chance : of each particle, for what is moved: sites x particles
    rows : site, slot, ballots since the report before (NaN: not known), minutes since, state: 5 x reports
    scanners, is_split : of each site: its scanners, and whether the part of its state beyond check-in stands by itself
    is_dark : of each report: its scanner has no power
    reported : REPORTED
    """
    for k in range(rows.shape[1]):
        s, slot, delta, state = int(rows[0, k]), int(rows[1, k]), rows[2, k], int(rows[4, k])
        down, since, weights = z[HEAD + slot, s], z[HEAD + most + slot, s], logw[1, s]
        moved, is_alone = chance[s], scanners[s] == 1
        is_counted = np.isfinite(delta) and not is_dark[k]
        if is_counted:
            count_ballots(weights, down, since, z[SCANNING, s], moved, delta, rows[3, k], is_alone)
        for i in range(len(since)):
            since[i] *= np.float32(KEPT) if is_counted and is_alone else np.float32(0)
        if state < seen.CLOSED and not is_dark[k]:
            hear_state(weights, down, moved, state, reported)
        if not is_split[s]:
            for i in range(len(weights)):
                logw[0, s, i] = weights[i]


@compiled
def count_ballots(
    weights: Floats, down: Array, since: Array, line: Array, moved: Chances, delta: float, span: float, is_alone: bool
) -> None:
    """Ballots counted since the report before. What is not explained stays in `since`.

    A counter that stood still where ballots were due is a stop; one that moved shows a scanner at work.
    """
    n, total = len(down), 0.0
    gap, picked, any_picked = np.empty(n), np.zeros(n, np.bool_), False
    for i in range(n):
        total += since[i]
        gap[i] = since[i] - delta
        if np.uint16(moved[i] + np.uint16(TURN)) < MOVED * WHOLE:
            stood, went = gap[i] > 6 and delta < 1, down[i] != UP and delta > 2
            picked[i] = abs(gap[i]) > 4 if is_alone else stood or went
            any_picked |= picked[i]
    if any_picked:
        take_mean(weights, picked)
        for i in range(n):
            if picked[i]:
                down[i] = STOP if gap[i] > 0 else UP
                if is_alone:
                    line[i] = max(line[i] + np.float32(np.rint(gap[i])), np.float32(0))
                gap[i] = 0
    variance = SCAN_SD**2 + (STEP_SHARE * delta) ** 2 + PER_LATE_MINUTE * max(span - LATE, 0.0)
    if not is_alone:
        variance += (MIXED * max(total / n, delta)) ** 2
    for i in range(n):
        since[i] = gap[i]
    temper(weights, student_log(gap, np.sqrt(variance), FLOOR))


@compiled
def hear_state(weights: Floats, down: Array, moved: Chances, state: int, reported: Floats) -> None:
    """What a scanner says of itself."""
    n, is_well = len(down), state == seen.WELL
    picked, any_picked, any_down = np.zeros(n, np.bool_), False, False
    for i in range(n):
        picked[i] = np.uint16(moved[i] + np.uint16(2 * TURN)) < MOVED * WHOLE and (down[i] == UP) != is_well
        any_picked |= picked[i]
    if any_picked:
        take_mean(weights, picked)
        for i in range(n):
            if picked[i]:
                down[i] = UP if is_well else (JAM if moved[i] % 5 < 2 else STOP)
    for i in range(n):
        any_down |= down[i] != UP
    if any_down or not is_well:
        likelihood = np.empty(n)
        for i in range(n):
            likelihood[i] = reported[min(int(down[i]), STOP), state]
        temper(weights, likelihood)
