"""What running totals say of a window, and how sure."""

import numpy as np
import pytest

from pipeline.estimates.lines import windows


def test_the_variance_of_an_interpolated_total_is_that_of_a_binomial_part():
    # Of n voters between two reports at unknown times, each had come by then with chance p: variance n p (1 - p)
    found, grid = np.zeros(4), np.array([0.0, 5.0, 12.0, 20.0])
    windows.edge_noise(np.array([0.0, 10.0, 20.0]), np.array([0.0, 8.0, 28.0]), grid, found)
    assert found == pytest.approx([0, 8 * 0.25, 20 * 0.2 * 0.8, 0])


def test_windows_of_units_that_are_all_seen_hand_their_misfit_on():
    share, edges = np.ones(4), np.full(5, 4.0)
    noise, carried = windows.misfits(np.full(4, 1e-6), share, edges, 0.15)
    assert noise[0] == pytest.approx(1 + 4 + 4)
    # Nothing is lost for good, so the level's variance falls as one over the number of edges seen (Kalman 1960)
    level = 4.0
    for k in range(4):
        assert noise[k] == pytest.approx(1 + level + 4.0)
        level *= 1 - level / (1 + level + 4.0)
        assert carried[k] == pytest.approx(1 - (noise[k] - 5.0) / noise[k])


def test_a_units_windows_are_its_interpolated_total_where_it_was_heard():
    # The differences of numpy.interp, from nought at opening (minute 60) on; silent from minute 90 to minute 130
    minute, total = np.array([64.0, 73.0, 90.0, 130.0, 141.0, 152.0]), np.array([5.0, 20.0, 44.0, 90.0, 95.0, 99.0])
    grid, steps = 60.0 + 10 * np.arange(10), np.empty(9)
    windows.window_steps(minute, total, grid, 60.0, steps)
    inside = np.diff(np.interp(grid, [60.0, *minute], [0.0, *total]))
    assert steps[:3] == pytest.approx(inside[:3])
    assert (steps[3:8] == -1).all()
    assert steps[8] == pytest.approx(inside[8])


def test_what_unseen_units_did_is_lost_for_good():
    seen, half = (windows.misfits(np.full(3, 30.0), np.full(3, s), np.full(4, 3.0), 0.15) for s in (1.0, 0.5))
    assert (half[0] > 2 * seen[0]).all()
    assert (half[1] < seen[1]).all()
