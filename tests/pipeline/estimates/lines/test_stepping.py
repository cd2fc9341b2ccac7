"""The particle step in the limits where theory has an exact answer: one line, no leaving, small steps."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimates.lines import chances, queues, stepping, weighing
from pipeline.estimates.lines import filter as particle
from pipeline.estimates.lines.replay import habits_of
from pipeline.settings import Settings

QUIET = {"leaving": 0.0, "burst_sd": 0.0, "fails": 0.0, "station_fails": 0.0, "batches": 0.0}
STEADY = replace(habits_of(Settings()), checkin_phases=1, scan_phases=1, **QUIET)


def places(rate: float, stations: int = 1, scanners: int = 0) -> particle.Places:
    """One site; column 0 serves, in column 1 everything stands still."""
    works = np.array([[True, False]])
    return particle.Places(
        stations=np.array([[stations]], np.float32), booths=np.array([[1e6]], np.float32),
        scanners=np.array([scanners]), rates=np.full((1, 2), rate, np.float32), serving=works, scanning=works,
        seeds=[1], first_minute=0, pace=np.ones((1, 2), np.float32),
        dark_from=np.full((1, scanners), np.inf), dark_until=np.full((1, scanners), np.inf),
    )  # fmt: skip


def start(particles: int, service: float, scanners: int = 0) -> np.ndarray:
    z = np.zeros((particle.HEAD + 2 * scanners, 1, particles), np.float32)
    z[particle.CHECKIN_LOG], z[particle.SCAN_LOG], z[particle.MARKING_LOG] = np.log(service), np.log(0.4), np.log(5.0)
    return z


def run(z, site, minutes: float, dt: float, rng, column: int = 0, habits=STEADY, watch=None):
    """Steps of dt; gives the mean of `watch` over the steps."""
    shape = (1, chances.COMMON + int(site.scanners[0]), z.shape[2])
    seen = []
    for _ in range(round(minutes / dt)):
        drawn = rng.integers(0, chances.WHOLE, shape, np.uint16)
        stepping.step(z, site, habits, column, chances.Draw(drawn), dt)
        if watch is not None:
            seen.append(watch(z))
    return float(np.mean(seen)) if seen else None


@pytest.mark.parametrize("mean", [0.02, 0.4, 1.7, 6.3, 31.0, 120.0])
def test_counts_are_poisson_in_mean_and_variance(mean):
    chance = np.random.default_rng(3).integers(0, chances.WHOLE, 200_000, np.uint16)
    drawn = stepping.draw(np.full(200_000, mean, np.float32), chance, (particle.TABLE, chances.NORMALS))
    assert drawn.mean() == pytest.approx(mean, abs=5 * np.sqrt(mean / 200_000) + 0.002 * mean)
    assert drawn.var() == pytest.approx(mean, rel=0.05)


def test_one_station_from_empty_is_mm1_after_ten_minutes():
    # Generator's matrix exponential, M/M/1, arrivals 1.6, services 2, t = 10 (test_queues): P(0) .24485, E[N] 2.64763
    z = start(20_000, service=0.5)
    run(z, places(1.6), 10, 0.05, np.random.default_rng(1))
    people = z[particle.CHECKIN, 0]
    assert (people == 0).mean() == pytest.approx(0.24485, abs=0.02)
    assert people.mean() == pytest.approx(2.64763, rel=0.04)


def test_a_stopped_station_leaves_the_exact_backlog_and_clears_as_it_should():
    # Arrivals 1.2, services 2, stopped for 40 minutes (test_queues): 49.5 waiting at the restart, 18.19 40 minutes on
    z, rng = start(4_000, service=0.5), np.random.default_rng(2)
    run(z, places(1.2), 60, 0.1, rng)
    assert z[particle.CHECKIN].mean() == pytest.approx(1.5, rel=0.1)
    run(z, places(1.2), 40, 0.1, rng, column=1)
    assert z[particle.CHECKIN].mean() == pytest.approx(49.5, rel=0.02)
    run(z, places(1.2), 40, 0.1, rng)
    assert z[particle.CHECKIN].mean() == pytest.approx(18.19344, rel=0.05)


def test_three_stations_settle_to_erlang_c():
    # M/M/3, arrivals 1.6, service 1.6: Lq 4.28247 (Gross et al.; test_queues)
    z, rng, site = start(2_000, service=1.6), np.random.default_rng(4), places(1.6, stations=3)
    run(z, site, 300, 0.2, rng)
    waiting = run(z, site, 100, 0.2, rng, watch=lambda z: weighing.waiting(z, site, 0, 0).mean())
    assert waiting == pytest.approx(queues.mean_waiting(1.6, 1.6, 3), rel=0.08)


def test_regular_service_waits_less_as_pollaczek_and_khinchine_say():
    # M/E4/1: service CV 0.5, so Lq = lambda Wq = 1.6 x 1.25 = 2.0; with exponential service it is 3.2
    z, rng, site = start(3_000, service=0.5), np.random.default_rng(5), places(1.6)
    habits = replace(STEADY, checkin_phases=4)
    run(z, site, 60, 0.05, rng, habits=habits)
    waiting = run(z, site, 60, 0.05, rng, habits=habits, watch=lambda z: weighing.waiting(z, site, 0, 0).mean())
    assert waiting == pytest.approx(1.6 * queues.pollaczek_khinchine(1.6, 0.5, 0.5), rel=0.08)


def test_people_at_booths_follow_littles_law():
    # Little (1961), L = lambda W: 1.2 arrivals a minute, 5 minutes in a booth, 6 people there
    z, rng, site = start(3_000, service=0.5), np.random.default_rng(6), places(1.2)
    run(z, site, 60, 0.1, rng)
    there = run(z, site, 40, 0.1, rng, watch=lambda z: (z[particle.MARKING] + z[particle.FINISHING]).mean())
    assert there == pytest.approx(1.2 * 5.0, rel=0.05)


def test_nobody_is_lost_between_the_doors():
    z, rng, site = start(500, service=1.0, scanners=2), np.random.default_rng(7), places(1.0, stations=2, scanners=2)
    z[particle.COMPARTMENT_ODDS] = -50
    run(z, site, 45, 1.0, rng)
    inside = sum(z[row] for row in (particle.CHECKIN, particle.MARKING, particle.FINISHING, particle.SCANNING))
    counted = z[particle.HEAD + 2] + z[particle.HEAD + 3]
    assert (inside >= 0).all()
    assert (inside + counted).mean() == pytest.approx(45, rel=0.03)
    assert counted == pytest.approx(z[particle.SCANNED], abs=0.01)


def test_of_those_who_come_to_a_stopped_scanner_one_share_uses_the_compartment_and_the_rest_waits():
    # Thinning of a Poisson stream (Kingman 1993, Poisson Processes, section 5.1): the line grows in a straight line
    z, rng, site = start(4_000, service=0.1, scanners=1), np.random.default_rng(12), places(1.0, stations=5, scanners=1)
    z[particle.COMPARTMENT_ODDS] = np.log(0.3 / 0.7)
    z[particle.HEAD] = particle.STOP
    never = replace(STEADY, jam_minutes=1e9, fault_minutes=1e9)
    run(z, site, 60, 1.0, rng, habits=never)
    first = z[particle.SCANNING].mean()
    run(z, site, 60, 1.0, rng, habits=never)
    assert z[particle.SCANNING].mean() - first == pytest.approx(0.7 * 60, rel=0.03)


def test_nobody_uses_the_compartment_while_one_of_two_scanners_reads():
    z, rng, site = start(1_000, service=0.1, scanners=2), np.random.default_rng(13), places(1.0, stations=5, scanners=2)
    z[particle.COMPARTMENT_ODDS] = 50
    z[particle.HEAD] = particle.STOP
    run(z, site, 60, 1.0, rng, habits=replace(STEADY, jam_minutes=1e9, fault_minutes=1e9))
    inside = sum(z[row] for row in (particle.CHECKIN, particle.MARKING, particle.FINISHING, particle.SCANNING))
    assert (inside + z[particle.SCANNED]).mean() == pytest.approx(60, rel=0.03)


def test_the_level_is_learnt_as_the_exact_normal_recursion_says():
    # For x' = (1 - k) f + k x + e the level's variance after n steps is 1 / (1/v + n (1 - k)^2 / q)
    habits = replace(STEADY, burst_sd=0.32, burst_minutes=28.0)
    z = np.zeros((particle.HEAD, 1, 1000), np.float32)
    z[particle.DOUBT] = 0.12
    rng, keep = np.random.default_rng(8), np.exp(-1 / 28)
    for _ in range(240):
        drawn = rng.integers(0, chances.WHOLE, (1, chances.COMMON, 1000), np.uint16)
        stepping.drift(z, drawn, stepping.numbers(habits, 1.0), chances.NORMALS)
    noise = 0.32**2 * (1 - keep**2)
    assert z[particle.DOUBT] == pytest.approx(1 / (1 / 0.12 + 240 * (1 - keep) ** 2 / noise), rel=1e-3)
    # The law of total variance: spread of the means and what doubt is left make up the prior
    assert z[particle.FACTOR].var() + z[particle.DOUBT].mean() == pytest.approx(0.12, rel=0.12)


def test_groups_come_at_once_as_often_and_as_large_as_said():
    # A compound Poisson stream: 0.02 groups a minute of 25 people bring 0.5 people a minute (common practice, no source)
    habits = replace(STEADY, batches=0.02, batch_people=25.0)
    z, site = start(4_000, service=1e6), places(1e-6)
    run(z, site, 60, 1.0, np.random.default_rng(9), habits=habits)
    people = z[particle.CHECKIN, 0]
    assert people.mean() == pytest.approx(0.02 * 25 * 60, rel=0.05)
    assert (people == 0).mean() == pytest.approx(np.exp(-0.02 * 60), abs=0.03)
