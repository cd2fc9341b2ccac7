"""Particles run on, against an independent simulator and against product-form theory."""

from dataclasses import replace

import ciw
import numpy as np
import pytest

from pipeline.estimates.lines import chances, queues, runs, stepping, weighing
from pipeline.estimates.lines import filter as particle
from pipeline.estimates.lines.replay import habits_of
from pipeline.settings import Settings

QUIET = {"leaving": 0.0, "burst_sd": 0.0, "fails": 0.0, "station_fails": 0.0, "batches": 0.0}
STEADY = replace(habits_of(Settings()), checkin_phases=1, scan_phases=1, **QUIET)


def places(rate: float, minutes: int, stations: int, scanners: int = 0) -> particle.Places:
    works = np.ones((1, minutes), bool)
    return particle.Places(
        stations=np.array([[stations]], np.float32), booths=np.array([[1e6]], np.float32),
        scanners=np.array([scanners]), rates=np.full((1, minutes), rate, np.float32), serving=works, scanning=works,
        seeds=[3], first_minute=0, pace=np.ones((1, minutes), np.float32),
        dark_from=np.full((1, scanners), np.inf), dark_until=np.full((1, scanners), np.inf),
    )  # fmt: skip


def start(particles: int, checkin: float, scan: float = 0.4, scanners: int = 0) -> np.ndarray:
    z = np.zeros((particle.HEAD + 2 * scanners, 1, particles), np.float32)
    z[particle.CHECKIN_LOG], z[particle.SCAN_LOG], z[particle.MARKING_LOG] = np.log(checkin), np.log(scan), np.log(2.0)
    return z


def ciw_line(until: int, every: int, days: int) -> tuple[np.ndarray, np.ndarray]:
    """People waiting for check-in every few minutes, mean over days and its standard error, by ciw 3 (Palmer, Knight et al.).

    Arrivals 1.7 a minute; lognormal service of 1.45 min, CV .5 (Herron & Smith 2016 found .45); two stations for two
    hours, then four.
    """
    cv2 = 0.25
    sd = np.sqrt(np.log(1 + cv2))
    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Exponential(rate=1.7)],
        service_distributions=[ciw.dists.Lognormal(mean=np.log(1.45) - sd**2 / 2, sd=sd)],
        number_of_servers=[ciw.Schedule(numbers_of_servers=[2, 4], shift_end_dates=[120, 10_000])],
    )
    grid = np.arange(every, until, every)
    waiting = np.zeros((days, len(grid)))
    for seed in range(days):
        ciw.seed(seed)
        simulation = ciw.Simulation(network)
        simulation.simulate_until_max_time(until + 100)
        rows = simulation.get_all_records()
        come = np.array([row.arrival_date for row in rows])
        served = np.array([row.service_start_date for row in rows])
        waiting[seed] = ((come[None] <= grid[:, None]) & (served[None] > grid[:, None])).sum(axis=1)
    return waiting.mean(axis=0), waiting.std(axis=0) / np.sqrt(days)


def test_a_site_with_lognormal_service_and_a_schedule_of_stations_is_what_an_independent_simulator_says():
    until, every = 240, 20
    site = places(1.7, until, stations=2)
    later = replace(site, stations=np.array([[4]], np.float32))
    habits = replace(STEADY, checkin_phases=4)  # CV .5, as Erlang's distribution
    z, draws, ours = start(3000, 1.45), chances.Draws([3], 3000, site.scanners, 5), []
    for column in range(until):
        now = site if column < 120 else later
        stepping.step(z, now, habits, column, draws.at(column))
        if (column + 1) % every == 0 and column + 1 < until:
            ours.append(float(weighing.waiting(z, now, 0, column).mean()))
    independent, error = ciw_line(until, every, days=150)
    assert independent[5] > 30  # a line has grown by the time that two more stations open
    # three standard errors of the independent mean, and the arrivals of half a minute: ours steps by the minute
    assert (np.abs(np.array(ours) - independent) < 3 * error + 0.85).all()
    assert error.max() < 2


def test_a_tandem_settles_to_jacksons_product_form():
    # Jackson (1957): of two stations in a row, each is an M/M/c queue by itself, independent of the other. Arrivals 1 a
    # minute; check-in M/M/2 at 1.45 min, scanner M/M/1 at 0.6 min: P(nobody there) = 0.4
    site, rng = places(1.0, 1, stations=2, scanners=1), np.random.default_rng(9)
    z, dt = start(800, 1.45, 0.6, scanners=1), 0.1
    lines, empty = [], []
    for k in range(2600):
        drawn = rng.integers(0, chances.WHOLE, (1, chances.COMMON + 1, 800), np.uint16)
        stepping.step(z, site, STEADY, 0, chances.Draw(drawn), dt)
        if k > 1200 and k % 7 == 0:
            lines.append([weighing.waiting(z, site, line, 0).mean() for line in (0, 1)])
            idle = [z[particle.CHECKIN] == 0, z[particle.SCANNING] == 0]
            empty.append([idle[0].mean(), idle[1].mean(), (idle[0] & idle[1]).mean()])
    checkin, scanner = np.mean(lines, axis=0)
    first, second, both = np.mean(empty, axis=0)
    assert checkin == pytest.approx(queues.mean_waiting(1.0, 1.45, 2), rel=0.12)
    assert scanner == pytest.approx(queues.mean_waiting(1.0, 0.6, 1), rel=0.12)
    assert second == pytest.approx(0.4, abs=0.03)
    assert both == pytest.approx(first * second, abs=0.01)


def test_what_waits_follows_littles_law_on_a_day_with_a_rush():
    # Little (1961) over a whole day that begins and ends empty: voter-minutes = the waits of all voters, exactly. In steps
    # of a minute some are served in the minute in which they come: short waits come out half a minute low (at a mean of
    # 2.0 min: 1.5), so the day has long ones.
    site = places(0.0, 600, stations=3)
    rates = np.where(np.arange(600) < 400, 1.6 + 0.9 * np.sin(np.arange(600) / 60), 0).astype(np.float32)[None]
    site = replace(site, rates=np.maximum(rates, 0))
    z = start(500, 1.45)
    habits = replace(STEADY, checkin_phases=4)
    found = runs.run_on(z, site, site, habits, -1, 0)
    assert (runs.inside(z) == 0).all()
    assert found.voters.mean() == pytest.approx(site.rates.sum(), rel=1e-3)
    mean, error = event_by_event(rates[0])
    assert found.voter_minutes[0].mean() / found.voters.mean() == pytest.approx(mean - 0.5, abs=3 * error + 0.25)
    assert error < 0.3


def event_by_event(rates: np.ndarray, days: int = 400) -> tuple[float, float]:
    """The mean wait of all voters at three stations and its standard error, voter by voter, apart from our code [min]."""
    rng, sums, voters = np.random.default_rng(4), np.zeros(days), np.zeros(days)
    for day in range(days):
        come = np.sort(np.concatenate([t + rng.random(rng.poisson(max(r, 0))) for t, r in enumerate(rates)]))
        free = np.zeros(3)
        for t in come:
            k = int(free.argmin())
            begin = max(t, free[k])
            free[k] = begin + 1.45 * rng.gamma(4, 0.25)
            sums[day] += begin - t
        voters[day] = len(come)
    return float(sums.sum() / voters.sum()), float(sums.std() / voters.mean() / np.sqrt(days))
