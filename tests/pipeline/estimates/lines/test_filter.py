"""Particles: their chances, weights and resampling."""

import numpy as np
import pytest

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


def test_chances_are_those_of_the_generators_words():
    # PCG64 (O'Neill 2014): the same bits whatever numpy makes of them; each word gives four, lowest bits first
    word = int(np.random.PCG64([1, 2]).random_raw())
    found = particle.raw_chances(np.random.PCG64([1, 2]), 3)
    assert found.tolist() == [word >> 16 * k & 0xFFFF for k in range(3)]
