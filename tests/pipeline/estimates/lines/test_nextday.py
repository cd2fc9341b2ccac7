"""What the next day needs: against published rules, and against whole days simulated apart from our code."""

import heapq
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contracts import events
from pipeline.contracts.asked import NextDay
from pipeline.contracts.known import empty
from pipeline.estimates.lines import lines, nextday, rules
from pipeline.estimates.lines.arrivals import HOURLY_SHARE

FEW = {"lines.particles": 100.0}


def states(known) -> lines.LineStates:
    return lines.line_states(known, empty(events.TicketReadings), empty(events.SupplyStates))


MORNING = datetime(2026, 11, 3, 13, tzinfo=UTC), datetime(2026, 11, 3, 17, tzinfo=UTC)  # 7 to 11, to be quick


def listed(
    rows: list[tuple[str, float]], opens: datetime | None = MORNING[0], closes: datetime | None = MORNING[1]
) -> pl.DataFrame:
    schema = {"site_id": pl.String, "expected_voters": pl.Float64}
    times = pl.Datetime("us", "UTC")
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        opens=pl.lit(opens, times), closes=pl.lit(closes, times)
    )


@pytest.mark.parametrize(("voters", "servers"), [(138, 1), (139, 2), (277, 3), (0, 1)])
def test_the_queue_stop_rule_halves_what_a_machine_could_serve(voters, servers):
    # Edelstein & Edelstein (2010), second-hand: 15 hours at 3.25 min a voter are 277 voters without a break; half of it, 138
    assert rules.queue_stop(voters, 3.25, 900) == servers


def test_a_day_without_length_needs_no_more_than_one():
    assert rules.queue_stop(500, 2.0, 0) == rules.queue_stop(500, 2.0, -60) == 1


def test_erlangs_rule_takes_the_busiest_hour():
    # Gross et al., M/M/c: 1 a minute at 1.9 min waits over 30 min with chance .19 at two servers, far less at three
    found = rules.closed_forms(np.array([600.0]), np.array([1.0]), np.array([720]), {"stations": np.array([1.9])})
    assert found["stations_erlang"].tolist() == [3]
    assert found["stations_queue_stop"].tolist() == [4]  # 600 x 1.9 / 360 = 3.17


@pytest.mark.parametrize("need", [1, 2, 5, 17, 60, 399])
@pytest.mark.parametrize("guess", [1, 6, 50])
def test_the_fewest_that_pass_are_found_from_any_guess(need, guess):
    tried = []

    def passes(site, numbers):
        tried.append(len(site))
        return numbers >= np.array([need, 2 * need])[site]

    assert nextday.fewest(passes, np.array([guess, guess]), 800).tolist() == [need, 2 * need]
    assert len(tried) <= 7


def test_more_voters_never_need_fewer_servers(gear):
    known = gear.known(settings=FEW)
    found = nextday.next_day(known, states(known), listed([("S1", 100.0), ("S2", 400.0)]))
    NextDay.validate(found)
    small, large = found.row(0, named=True), found.row(1, named=True)
    assert all(small[name] < large[name] for name in ("stations", "booths", "scanners"))
    assert found["chance_over_30"].max() < nextday.CHANCE
    assert (found["chance_over_30_whole_day"] <= found["chance_over_30"]).all()


def test_turnout_that_is_known_exactly_needs_fewer(gear):
    known = gear.known(settings=FEW)
    sure, unsure = (
        nextday.next_day(known, states(known), listed([("S1", 600.0)]), spread).row(0, named=True)
        for spread in (0.0, 0.43)
    )
    assert sure["stations"] < unsure["stations"]


def test_what_the_day_taught_of_service_is_used(gear):
    known = gear.known(settings=FEW)
    found = states(known)
    slow = found.state.copy()
    slow[lines.CHECKIN_LOG, 0] += np.log(2.0)  # twice as slow at the first site
    taught = lines.LineStates(known.at, found.column, slow, found.places, found.habits, found.roster, found.basis)
    answer = nextday.next_day(known, taught, listed([("S1", 500.0), ("S2", 500.0)]))
    first, second = answer.row(0, named=True), answer.row(1, named=True)
    assert first["checkin_minutes"] == pytest.approx(2 * second["checkin_minutes"], rel=0.1)
    assert first["stations"] > 1.5 * second["stations"]


def long_waits(rng: np.random.Generator, stations: int, voters: float, service: float) -> tuple[int, int]:
    """A day of one check-in line, event by event, apart from our code: who waited over half an hour in the busiest hour.

    Arrivals by the published hourly shares (Stewart 2015, Table 3) from 7 to 19 o'clock; lognormal service, CV .5
    (Herron & Smith 2016 found .45).
    """
    share = HOURLY_SHARE[7:19] / HOURLY_SHARE[7:19].sum()
    arrive = np.sort(np.concatenate([60 * (h + rng.random(rng.poisson(voters * p))) for h, p in enumerate(share)]))
    free = [0.0] * stations
    over = busy = 0
    for t in arrive:
        start = max(t, heapq.heappop(free))
        heapq.heappush(free, start + service * rng.lognormal(-0.112, 0.472))
        if 180 <= t < 300:
            busy, over = busy + 1, over + (start - t > 30)
    return over, busy


def test_whole_days_simulated_apart_agree_that_it_is_enough_and_that_far_fewer_are_not(gear, day):
    steady = FEW | {
        "lines.checkin_sd": 0.0,
        "lines.burst_sd": 0.0,
        "lines.station_fails": 0.0,
        "lines.leaving_hazard": 0.0,
    }
    known = gear.known(settings=steady, sites=[day.site("S1", expected_voters=2000.0)])
    answer = nextday.next_day(known, states(known), listed([("S1", 2000.0)], None, None), spread=0.25).row(
        0, named=True
    )
    rng = np.random.default_rng(3)

    def share(stations: int) -> float:
        days = [long_waits(rng, stations, 2000 * rng.lognormal(-0.031, 0.25), 1.45) for _ in range(150)]
        return sum(over for over, _ in days) / sum(busy for _, busy in days)

    assert share(answer["stations"]) < nextday.CHANCE
    assert share(answer["stations"] - 2) > nextday.PARTS[0] * nextday.CHANCE  # what check-in may use of it


ODD = {
    "nobody": ([("S1", 0.0)], "nobody is expected"),
    "a million": ([("S1", 1e6)], "too many to be tried out"),
    "not listed": ([("S77", 500.0)], "not on the roster"),
}


@pytest.mark.parametrize(("rows", "reason"), ODD.values(), ids=ODD.keys())
def test_an_odd_row_gets_an_answer_with_the_reason(gear, rows, reason):
    known = gear.known(settings=FEW)
    found = nextday.next_day(known, states(known), listed(rows))
    NextDay.validate(found)
    assert reason in found["basis"][0]
    assert found["stations"][0] >= 1 and np.isfinite(found.select(pl.selectors.float()).to_numpy()).all()


def test_hours_the_wrong_way_round_need_nobody(gear):
    known = gear.known(settings=FEW)
    opens = known.sites["opens_at"][0]
    found = nextday.next_day(known, states(known), listed([("S1", 800.0)], opens, opens - timedelta(hours=2)))
    assert "closes before it opens" in found["basis"][0] and found["stations"][0] == 1


def test_without_a_roster_the_assumptions_answer_and_without_a_list_nothing_does(gear):
    known = gear.known(settings=FEW, sites=())
    found = nextday.next_day(known, states(known), listed([("S1", 400.0)]))
    assert found["checkin_minutes"][0] == pytest.approx(known.settings["lines.checkin_minutes"], rel=0.1)
    assert nextday.next_day(known, states(known), listed([])).is_empty()


def test_the_order_of_the_list_does_not_matter(gear):
    known = gear.known(settings=FEW)
    rows = [("S1", 150.0), ("S2", 250.0)]
    found = [nextday.next_day(known, states(known), listed(order)) for order in (rows, rows[::-1])]
    assert found[0].equals(found[1])
