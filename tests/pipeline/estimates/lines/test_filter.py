"""Particles: their weights and resampling."""

import numpy as np
import pytest

from pipeline.estimates.lines import chances
from pipeline.estimates.lines import filter as particle


def test_resampling_keeps_particles_in_proportion_to_their_weight():
    z = np.zeros((particle.HEAD, 2, 1000), np.float32)
    z[particle.CHECKIN] = np.arange(1000) % 2
    logw = np.where(np.arange(1000) % 2 == 1, np.log(3.0), 0.0)[None, :].repeat(2, 0)
    particle.resample(z, logw, np.array([1]), [5, 6], minute=600)
    assert z[particle.CHECKIN, 1].mean() == pytest.approx(0.75, abs=0.02)
    assert z[particle.CHECKIN, 0].mean() == 0.5
    assert (logw[1] == 0).all()


def test_one_row_never_leaves_fewer_than_a_tenth_unless_it_had_to_be_tempered_four_times():
    logw = np.zeros((1, 1000))
    particle.weigh(logw, np.array([0]), -0.02 * np.arange(1000.0)[None, :])
    weight = np.exp(logw[0] - logw[0].max())
    assert weight.sum() ** 2 / (weight**2).sum() > 100


def test_a_block_is_resampled_without_the_rest():
    z = np.zeros((particle.HEAD, 1, 1000), np.float32)
    z[particle.CHECKIN], z[particle.SCANNING] = np.arange(1000), np.arange(1000)
    logw = np.where(np.arange(1000) < 500, 0.0, -50.0)[None, :]
    particle.resample(z, logw, np.array([0]), [5], minute=600, rows=particle.CHECKIN_ROWS)
    assert z[particle.CHECKIN].max() < 500
    assert (z[particle.SCANNING, 0] == np.arange(1000)).all()


def test_jitter_keeps_mean_and_spread_of_a_fixed_quantity():
    # Liu & West (2001): drawn towards the mean by sqrt(1 - h^2) and spread by h, so that the first two moments stay
    rng = np.random.default_rng(6)
    values = rng.gamma(2.0, 0.4, 200_000).astype(np.float32)
    before = values.copy()
    particle.jitter(values, rng.integers(0, chances.WHOLE, len(values), np.uint16), chances.NORMALS)
    assert values.mean() == pytest.approx(before.mean(), abs=1e-3)
    assert values.std() == pytest.approx(before.std(), rel=2e-3)
    assert np.corrcoef(values, before)[0, 1] == pytest.approx(np.sqrt(1 - particle.SHRINK**2), abs=1e-3)


def test_a_site_is_thin_where_half_of_its_particles_worth_of_weight_is_gone():
    # the effective number of particles (Kong, Liu & Wong 1994): (sum of weights)^2 / sum of squares; of two halves with
    # weights 1 and w it is n (1 + w)^2 / (2 (1 + w^2)), half of n at w = 0 only
    logw = np.zeros((3, 400))
    logw[1, :200], logw[2, :201] = -np.inf, -np.inf
    assert particle.is_thin(logw, np.array([0, 1, 2])).tolist() == [False, False, True]
