"""Chances: the published generator, and what they depend on."""

import numpy as np
import pytest
from scipy.stats import kstest

from pipeline.estimates.lines import chances


def test_words_are_those_of_the_published_generator():
    # SplitMix64 (Steele, Lea & Flood 2014); the first five from seed 1234567 stand on Rosetta Code's page of it
    published = [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ]
    assert [int(chances.word(np.uint64(1234567), np.uint64(k))) for k in range(5)] == published


def test_a_word_gives_four_chances_lowest_bits_first():
    words = np.array([[0x0004_0003_0002_0001, 0x0000_0000_0006_0005]], np.uint64)
    assert chances.cut(words, 6).tolist() == [[1, 2, 3, 4, 5, 6]]


def test_a_site_has_the_same_chances_whoever_stands_beside_it_and_whenever_the_day_begins():
    seeds, scanners = [11, 12, 13], np.array([0, 2, 1])
    together, alone = chances.Draws(seeds, 50, scanners, 1), chances.Draws([12], 50, scanners[1:2], 1)
    for minute in (-5, 0, 700):
        kept = together.at(minute).rows[1].copy()
        assert np.array_equal(kept, alone.at(minute).rows[0])
    assert not np.array_equal(alone.at(699).rows, kept[None])


@pytest.mark.parametrize("purposes, minutes", [(range(4), [600]), ([1], range(600, 604))])
def test_chances_are_evenly_spread_and_those_for_one_thing_say_nothing_of_those_for_another(purposes, minutes):
    found = [chances.drawn([7, 8], p, m, 2, 5000).reshape(4, 5000) for p in purposes for m in minutes]
    rows = np.concatenate(found) / chances.WHOLE
    assert min(kstest(row, "uniform").pvalue for row in rows) > 1e-4
    related = np.corrcoef(rows) - np.eye(len(rows))
    assert np.abs(related).max() < 5 / np.sqrt(5000)
