"""How sites are shared out, what passes between the two parts of a state, and what is forgotten."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.estimates.lines import chances, replay, weighing, windows
from pipeline.estimates.lines import filter as particle
from pipeline.settings import Settings

NO_DRAW = chances.Draw(np.zeros((0, 0, 0), np.uint16))


def test_every_site_is_stepped_once_with_those_that_have_as_many_particles_and_begin_with_it():
    few, begun = np.array([1600, 200, 400] * 300), np.repeat([0, 7], 450)
    batches = replay.batches_of(few, begun)
    assert sorted(site for sites in batches for site in sites) == list(range(900))
    for sites in batches:
        assert few[sites].sum() <= replay.BATCH
        assert len(set(few[sites])) == len(set(begun[sites])) == 1


def test_as_many_go_on_to_the_booths_as_the_poll_books_show():
    z = np.zeros((particle.HEAD, 2, 5), np.float32)
    z[particle.PASSED], z[particle.MARKING], z[particle.FINISHING] = [[8, 10, 12, 14, 30]] * 2, 3, 2
    w = weighing.Weighing(z, np.zeros((2, 2, 5)), SimpleNamespace(), 0, NO_DRAW, np.array([True, False]))
    weighing.pass_on(w, np.array([0, 1]), np.array([10.0, 10.0]))
    assert z[particle.MARKING, 0].tolist() == [5, 3, 1, 0, 0]
    assert z[particle.FINISHING, 0].tolist() == [2, 2, 2, 1, 0]
    assert z[particle.PASSED, 0].tolist() == [0, 0, 0, 0, 15]  # who could not be taken back is owed to the next window
    assert (z[particle.MARKING, 1] == 3).all() and (z[particle.PASSED, 1] == 0).all()


def test_weights_of_a_part_stay_its_own_only_where_the_parts_are_apart():
    logw = np.zeros((2, 2, 4))
    w = weighing.Weighing(np.zeros(0), logw, SimpleNamespace(), 0, NO_DRAW, np.array([True, False]))
    w.weigh(0, np.array([0, 1]), np.log(np.array([[1.0, 2, 3, 4], [1, 2, 3, 4]])))
    assert (logw[1, 0] == 0).all()
    assert (logw[1, 1] == logw[0, 1]).all()


def wandered(odds: float, sites: int, minutes: int, is_up: bool = True) -> np.ndarray:
    """Log odds of the emergency compartment at sites that all begin with one value: sites x particles."""
    habits, z = replay.habits_of(Settings()), np.zeros((particle.HEAD + 2, sites, 20_000), np.float32)
    z[particle.COMPARTMENT_ODDS], z[particle.HEAD] = odds, particle.UP if is_up else particle.STOP
    open_all_day, lit = np.ones((sites, minutes), bool), np.full((sites, 1), np.inf)
    places = SimpleNamespace(
        seeds=list(range(1, sites + 1)), first_minute=600, scanners=np.ones(sites, np.int64), scanning=open_all_day,
        dark_from=lit, dark_until=lit,
    )  # fmt: skip
    for column in range(0, minutes, windows.WINDOW_MINUTES):
        replay.wander(z, places, habits, column)
    return z[particle.COMPARTMENT_ODDS]


def test_a_share_is_forgotten_as_an_autoregression_does():
    # x' = m + r (x - m) + s sqrt(1 - r^2) e: after n steps mean m + r^n (x - m), variance s^2 (1 - r^2n) (Box & Jenkins,
    # from memory); r^n is 1/e over COMPARTMENT_MINUTES
    usual = replay.habits_of(Settings()).compartment_odds
    found = wandered(usual + 2, 1, int(replay.COMPARTMENT_MINUTES))
    assert found.mean() == pytest.approx(usual + 2 / np.e, abs=0.05)
    assert found.std() == pytest.approx(replay.COMPARTMENT_SD * np.sqrt(1 - np.exp(-2)), rel=0.03)
    late = wandered(usual + 2, 1, 12 * 60)
    assert late.mean() == pytest.approx(usual, abs=0.06)
    assert late.std() == pytest.approx(replay.COMPARTMENT_SD, rel=0.03)


def test_a_share_holds_during_a_stop():
    assert (wandered(1.5, 1, 120, is_up=False) == 1.5).all()


def test_every_share_is_nearly_as_likely():
    odds = wandered(0.0, 1, 12 * 60)
    tenths = np.histogram(1 / (1 + np.exp(-odds)), bins=10, range=(0, 1))[0] / odds.size
    assert tenths == pytest.approx(np.full(10, 0.1), abs=0.02)


def test_a_share_wanders_alike_whoever_is_beside():
    assert np.array_equal(wandered(-3, 1, 30)[0], wandered(-3, 3, 30)[0])
