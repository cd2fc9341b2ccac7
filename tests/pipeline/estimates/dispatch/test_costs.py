import pytest

from pipeline.estimates.dispatch.costs import MOST_CLEARING, Cost, clearing_factor


def test_cost_of_a_stopped_scanner():
    # 5 people held up for 60 min and 1 a minute joining them: 5·60 + 60²/2 = 2100 voter-minutes
    assert Cost(level=5, growth=1)(60) == 2100


def test_cost_grows_in_a_straight_line_beyond_the_cap():
    # 120²/2 = 7200 at the cap, then 120 a minute
    cost = Cost(level=0, growth=1)
    assert cost(120) == 7200
    assert cost(150) == 7200 + 30 * 120
    assert cost(121) - cost(120) == pytest.approx(cost(200) - cost(199))


def test_cost_starts_to_grow_when_the_battery_is_empty():
    cost = Cost(level=0, growth=2, delay=45)
    assert cost(45) == 0
    assert cost(55) == 2 * 10 * 10 / 2


def test_voters_wait_until_the_line_has_cleared():
    # fluid queue: ½·λ·d²·μ/(μ − λ), λ 1, μ 1.5, d 60 → 5400 voter-minutes (area of the triangle: stop 60, clearing 120)
    assert Cost(level=0, growth=1, clearing=clearing_factor(1, 1.5))(60) == pytest.approx(5400)


def test_clearing_agrees_with_a_line_worked_off_minute_by_minute():
    arrivals, capacity, stop, step = 0.8, 1.3, 50.0, 0.01
    line = waited = clock = 0.0
    while clock < stop or line > 0:
        line = max(0.0, line + (arrivals - (capacity if clock >= stop else 0.0)) * step)
        waited, clock = waited + line * step, clock + step
    cost = Cost(level=0, growth=arrivals, clearing=clearing_factor(arrivals, capacity))
    assert cost(stop) == pytest.approx(waited, rel=2e-3)


@pytest.mark.parametrize(("arrivals", "capacity"), [(2.0, 1.0), (1.0, 1.0), (0.99, 1.0)])
def test_clearing_has_a_limit(arrivals, capacity):
    assert clearing_factor(arrivals, capacity) == MOST_CLEARING


@pytest.mark.parametrize(("arrivals", "capacity"), [(0.0, 1.0), (1.0, 0.0), (0.0, 0.0)])
def test_nothing_to_clear_adds_nothing(arrivals, capacity):
    assert clearing_factor(arrivals, capacity) == 1.0
