"""The closed forms against published formulas, recomputed apart from our code."""

import numpy as np
import pytest

from pipeline.errors import EstimateError
from pipeline.estimates.lines import queues

# Gross, Shortle, Thompson & Harris, Fundamentals of Queueing Theory (4th ed.), M/M/c; values recomputed independently
# of this code. Columns: servers, arrivals [1/min], service [min], P(wait), Wq [min], Lq, P(wait > 30 min).
MMC = [
    (3, 1.6, 1.6, 0.73604942, 2.67654334, 4.28246934, 1.923e-4),
    (20, 3.6, 5.0, 0.55076900, 1.37692251, 4.95692104, 3.384e-6),
    (2, 1.0, 1.9, 0.92564103, 17.58717949, 17.58717949, 0.19085980),
]


@pytest.mark.parametrize(("servers", "rate", "service", "waits", "wq", "lq", "over"), MMC)
def test_mmc_gives_the_handbook_values(servers, rate, service, waits, wq, lq, over):
    assert queues.erlang_c(rate * service, servers) == pytest.approx(waits, abs=1e-8)
    assert queues.mean_wait(rate, service, servers) == pytest.approx(wq, abs=1e-7)
    assert queues.mean_waiting(rate, service, servers) == pytest.approx(lq, abs=1e-7)
    assert queues.chance_wait_over(30, rate, service, servers) == pytest.approx(over, rel=5e-4)


def test_erlang_c_three_servers_of_a_textbook_exercise():
    # Bronson (1982) 24.6, as listed by M. Casquilho, IST: 300/yr arrive, 182.5/yr per server, 3 servers, Lq = 0.352
    load = 300 / 182.5
    assert queues.erlang_c(load, servers=3) * load / (3 - load) == pytest.approx(0.352, abs=5e-4)


def test_erlang_b_is_the_truncated_poisson_distribution():
    # Erlang 1917: P(c busy) = (a^c / c!) / sum of a^k / k!, here a = 4, c = 3: (64/6) / (1 + 4 + 8 + 64/6)
    assert queues.erlang_b(4.0, 3) == pytest.approx((64 / 6) / (1 + 4 + 8 + 64 / 6))


def test_erlang_b_does_not_overflow_with_a_thousand_servers():
    assert 0 < queues.erlang_b(990.0, 1000) < 0.05


@pytest.mark.parametrize(("cv", "wq"), [(0, 1.00), (0.5, 1.25), (1, 2.00), (1.5, 3.25)])
def test_pollaczek_khinchine_at_four_service_spreads(cv, wq):
    # Pollaczek-Khinchine, arrivals 1.6 a minute, service half a minute; by hand: 1.6 x 0.25 (1 + cv^2) / (2 x 0.2)
    assert queues.pollaczek_khinchine(1.6, 0.5, cv) == pytest.approx(wq)


def test_pollaczek_khinchine_with_exponential_service_is_mm1():
    assert queues.pollaczek_khinchine(1.6, 0.5, 1.0) == pytest.approx(queues.mean_wait(1.6, 0.5, 1))


@pytest.mark.parametrize(("arrival_cv2", "wq"), [(1.0, 1.8200), (0.5, 1.1509)])
def test_allen_cunneen_scales_the_markov_wait(arrival_cv2, wq):
    # Allen-Cunneen, G/G/3, arrivals 1.6, service 1.6, cs^2 0.36
    assert queues.allen_cunneen(1.6, 1.6, 3, arrival_cv2, 0.36) == pytest.approx(wq, abs=5e-5)


def test_mm1_from_empty_after_ten_minutes():
    # Matrix exponential of the generator, M/M/1, arrivals 1.6, services 2, t = 10; recomputed independently
    start = np.zeros(121)
    start[0] = 1.0
    after = queues.in_system_after(start, queues.queue_generator(1.6, 2.0, 1, 120), 10.0)
    assert after[0] == pytest.approx(0.24485240, abs=1e-8)
    assert after[5] == pytest.approx(0.06420105, abs=1e-8)
    assert after @ np.arange(121) == pytest.approx(2.64763492, abs=1e-7)


def test_a_server_stopped_for_forty_minutes_leaves_the_exact_backlog():
    # Arrivals 1.2, services 2, stopped on [120, 160): matrix exponentials, recomputed independently
    most = 260
    works, stands = (queues.queue_generator(1.2, mu, 1, most) for mu in (2.0, 0.0))
    state = np.zeros(most + 1)
    state[0] = 1.0
    expected = {120: 1.49999989, 160: 49.49999989, 180: 33.50273043, 200: 18.19344306, 220: 7.58494458, 280: 1.56510524}
    now = 0
    for then, mean in expected.items():
        state = queues.in_system_after(state, stands if now == 120 else works, then - now)
        now = then
        assert state @ np.arange(most + 1) == pytest.approx(mean, abs=2e-6)


def test_the_fluid_limit_of_that_stop():
    # lambda D = 1.2 x 40 = 48 people, gone after 48 / (2 - 1.2) = 60 minutes
    assert queues.fluid_backlog(1.2, 40) == pytest.approx(48)
    assert queues.fluid_clearing(1.2, 2.0, 40) == pytest.approx(60)


@pytest.mark.parametrize("make", [lambda: queues.erlang_c(3.2, 3), lambda: queues.fluid_clearing(2.0, 2.0, 10)])
def test_a_load_that_never_settles_is_refused_with_advice(make):
    with pytest.raises(EstimateError, match="Show the queue as growing"):
        make()


def test_no_station_is_no_steady_state():
    with pytest.raises(EstimateError, match="0 open stations"):
        queues.erlang_c(0.5, 0)


def test_stations_needed_is_the_fewest_that_keep_the_half_hour():
    # Presidential Commission on Election Administration (2014): nobody should wait over 30 minutes
    need = queues.stations_needed(1.0, 1.9)
    assert queues.chance_wait_over(30, 1.0, 1.9, need) < 0.05
    assert need == 3  # with 2 the chance is 0.19 (table above)
