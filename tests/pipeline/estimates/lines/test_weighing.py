"""What one site's rows do to its weights does not depend on who is weighed beside it."""

import numpy as np
import pytest
from scipy.stats import t

from pipeline.estimates.lines import observations as seen
from pipeline.estimates.lines import scans
from pipeline.estimates.lines.chances import COMMON, TURN, Draw
from pipeline.estimates.lines.filter import HEAD, STOP, Places
from pipeline.estimates.lines.weighing import Weighing, weigh_scans

PARTICLES = 50


def weights_of_first(sites: int, states: list[int], stopped: float) -> np.ndarray:
    """Log weights of the first of some sites with one scanner each, after a report of each without a count.

    `stopped` is the part of the first site's particles in which its scanner is stopped; beside it, nobody's is.
    """
    never = np.full((sites, 1), np.inf)
    places = Places(
        stations=np.ones((sites, 1), np.float32), booths=np.full((sites, 1), 9, np.float32),
        scanners=np.ones(sites, np.int64), rates=np.ones((sites, 1), np.float32), serving=np.ones((sites, 1), bool),
        scanning=np.ones((sites, 1), bool), seeds=list(range(sites)), first_minute=600,
        pace=np.ones((sites, 1), np.float32), dark_from=never, dark_until=never,
    )  # fmt: skip
    z = np.zeros((HEAD + 2, sites, PARTICLES), np.float32)
    z[HEAD, 0, : round(stopped * PARTICLES)] = STOP
    logw = np.tile(np.random.default_rng(1).normal(size=PARTICLES), (2, sites, 1))
    never_moved = Draw(np.full((sites, COMMON, PARTICLES), 2**16 - 1 - 2 * TURN, np.uint16))
    w = Weighing(z, logw, places, 0, never_moved, np.zeros(sites, bool))
    blank = np.full(sites, np.nan)
    weigh_scans(w, np.array([np.arange(sites), np.zeros(sites), blank, blank, states[:sites]]))
    return w.logw[:, 0]


@pytest.mark.parametrize("stopped", [0.0, 0.4])
@pytest.mark.parametrize("beside", [seen.FAULT, seen.PAUSED, seen.WELL])
def test_weights_are_the_same_bit_for_bit_whoever_stands_beside(stopped, beside):
    alone = weights_of_first(1, [seen.WELL], stopped)
    assert np.array_equal(weights_of_first(3, [seen.WELL, beside, seen.WELL], stopped), alone)


def test_a_report_that_all_is_well_counts_against_particles_that_are_stopped():
    before = weights_of_first(1, [seen.UNSAID], 0.4)[0]  # says nothing: one constant for all
    gain = weights_of_first(1, [seen.WELL], 0.4)[0] - before
    assert gain[-1] > gain[0] + 1


def test_a_report_weighs_as_its_kernel_says():
    # Student-t with four degrees of freedom about the ballots due, and never less than the floor
    rng = np.random.default_rng(4)
    weights, due = np.zeros(PARTICLES), rng.normal(20, 3, PARTICLES).astype(np.float32)
    line, unmoved = np.zeros(PARTICLES, np.float32), np.full(PARTICLES, 2**16 - 1 - TURN, np.uint16)
    scans.count_ballots(weights, np.zeros(PARTICLES, np.float32), due.copy(), line, unmoved, 20.0, 10.0, True)
    scale = np.hypot(scans.SCAN_SD, scans.STEP_SHARE * 20)
    exact = np.log(t.pdf((due - 20) / scale, 4) / t.pdf(0, 4) / scale + scans.FLOOR)
    assert weights == pytest.approx(exact, rel=1e-6)
