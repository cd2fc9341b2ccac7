"""What a change would do: paired on the same chances, and what theory says of it where theory has an answer."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from pipeline.contracts import events
from pipeline.contracts.asked import WhatIf
from pipeline.contracts.known import empty
from pipeline.errors import UsageError
from pipeline.estimates.lines import filter as particle
from pipeline.estimates.lines import lines, queues, runs
from pipeline.estimates.lines.replay import habits_of
from pipeline.estimates.lines.whatif import Change, whatif
from pipeline.settings import Settings

FEW = {"lines.particles": 200.0}
QUIET = {"leaving": 0.0, "burst_sd": 0.0, "fails": 0.0, "station_fails": 0.0, "batches": 0.0}
STEADY = replace(habits_of(Settings()), checkin_phases=1, scan_phases=1, **QUIET)


def answer(known, change: Change):
    found = whatif(known, empty(events.TicketReadings), empty(events.SupplyStates), change)
    WhatIf.validate(found)
    return {row["line"]: row for row in found.iter_rows(named=True)}


@pytest.fixture
def crowded(gear, day):
    """A site with a line of sixty at check-in, two stations and one scanner, and a quiet one beside it."""
    count = {"site_id": "S1", "at": gear.ago(3), "checkin_line": 60.0, "scanner_line": 1.0, "received_at": gear.at}
    sites = [day.site("S1", checkin_stations=2, expected_voters=1000.0), day.site("S2", booths=60)]
    return gear.known(settings=FEW, sites=sites, units=[gear.unit("SC1")], line_counts=[count])


def test_one_more_station_shortens_the_line_at_check_in(crowded):
    found = answer(crowded, Change("S1", {"checkin-station": 1}))
    assert found["checkin"]["wait_minutes_change_high"] < 0
    assert found["checkin"]["voter_minutes_change_mean"] == pytest.approx(
        found["checkin"]["voter_minutes_changed_mean"] - found["checkin"]["voter_minutes_as_is_mean"]
    )


def test_what_is_not_needed_changes_nothing_at_all(crowded):
    found = answer(crowded, Change("S1", {"booth": 50}))
    quiet = answer(crowded, Change("S2", {"booth": 50}))
    assert found["checkin"]["voter_minutes_change_low"] == found["checkin"]["voter_minutes_change_high"] == 0
    assert quiet["all"]["voter_minutes_change_mean"] == 0


def test_the_same_chances_make_the_difference_surer_than_either_side(crowded):
    found = answer(crowded, Change("S1", {"scanner": 1}))["scanner"]
    assert found["wait_minutes_change_high"] <= 0.05
    assert found["wait_minutes_changed_mean"] < found["wait_minutes_as_is_mean"]


def test_a_change_that_lies_ahead_counts_from_then_on(crowded, gear):
    later = answer(crowded, Change("S1", {"checkin-station": 1}, (), gear.at + timedelta(hours=2)))
    at_once = answer(crowded, Change("S1", {"checkin-station": 1}))
    assert later["all"]["from_at"] == gear.at + timedelta(hours=2)
    assert later["all"]["voters_mean"] < at_once["all"]["voters_mean"]
    assert 0 > later["checkin"]["voter_minutes_change_mean"] > at_once["checkin"]["voter_minutes_change_mean"]


def test_a_repair_helps_as_far_as_the_unit_is_believed_to_stand_still(gear, day):
    sites = [day.site("S1", checkin_stations=4, expected_voters=1500.0)]
    fault = gear.report("SC1", 4, sequence=9, state="fault", ballots_counted=400)
    known = gear.known(settings=FEW, sites=sites, units=[gear.unit("SC1"), gear.unit("SC2")], status=[fault])
    stopped, well = (answer(known, Change("S1", {}, (unit,)))["scanner"] for unit in ("SC1", "SC2"))
    assert stopped["voter_minutes_change_mean"] < well["voter_minutes_change_mean"] <= 0
    assert "SC1: believed stopped with chance" in stopped["basis"]


def test_a_site_asked_for_alone_has_the_same_particles_as_among_all(crowded):
    from pipeline.estimates.lines.whatif import only_site

    day = lines.day_of(crowded, empty(events.TicketReadings), empty(events.SupplyStates))
    among, alone = lines.states_of(crowded, day), lines.states_of(crowded, only_site(day, "S1"))
    rows = alone.state.shape[0]
    assert np.array_equal(among.state[:rows, 0], alone.state[:, 0])


def test_a_second_station_saves_what_erlang_says():
    # M/M/1 against M/M/2, arrivals 1.6 a minute, service half a minute: Lq 3.2 and by Erlang C (Gross et al., ch. 2);
    # the difference of the mean lines, times the minutes, is what is saved in voter-minutes
    places = still_places(stations=[1, 2], minutes=700)
    z = np.zeros((particle.HEAD, 2, 1500), np.float32)
    z[particle.CHECKIN_LOG], z[particle.MARKING_LOG] = np.log(0.5), np.log(0.01)
    from_start = runs.run_on(z, places, places, STEADY, -1, 100)
    saved = from_start.voter_minutes[0, 0].mean() - from_start.voter_minutes[0, 1].mean()
    by_theory = 600 * (queues.mean_waiting(1.6, 0.5, 1) - queues.mean_waiting(1.6, 0.5, 2))
    assert saved == pytest.approx(by_theory, rel=0.15)  # whole minutes are steps of two service times here


def test_the_wait_of_every_voter_follows_littles_law():
    # Little (1961): mean line = arrivals x mean wait, so voter-minutes / voters = Wq; M/M/3, Wq 2.67654 (Gross et al.)
    # with service of 1.6 min; here all is four times slower, as steps of a minute shorten a wait where service is short
    places = still_places(stations=[3], minutes=8000, rate=0.4)
    z = np.zeros((particle.HEAD, 1, 400), np.float32)
    z[particle.CHECKIN_LOG], z[particle.MARKING_LOG] = np.log(6.4), np.log(0.01)
    found = runs.run_on(z, places, places, STEADY, -1, 1200)
    wait = found.voter_minutes[0].mean() / found.voters.mean()
    assert wait / 4 == pytest.approx(2.67654, rel=0.05)


def still_places(stations: list[int], minutes: int, rate: float = 1.6) -> particle.Places:
    n = len(stations)
    works = np.ones((n, minutes), bool)
    return particle.Places(
        stations=np.array(stations, np.float32)[:, None], booths=np.full((n, 1), 1e6, np.float32),
        scanners=np.zeros(n, np.int64), rates=np.full((n, minutes), rate, np.float32), serving=works, scanning=works,
        seeds=[7] * n, first_minute=0, pace=np.ones((n, minutes), np.float32), dark_from=np.full((n, 0), np.inf),
        dark_until=np.full((n, 0), np.inf),
    )  # fmt: skip


BAD = {
    "no such site": (Change("S9", {"booth": 1}), "no site of the roster"),
    "nothing changed": (Change("S1"), "Nothing is changed"),
    "no such thing": (Change("S1", {"door": 1}), "not one of checkin-station"),
    "none added": (Change("S1", {"booth": 0}), "from 1 to 100"),
    "a million": (Change("S1", {"booth": 10**6}), "from 1 to 100"),
    "no such unit": (Change("S1", {}, ("SC9",)), "no scanner or poll book deployed at S1"),
}


@pytest.mark.parametrize(("change", "reason"), BAD.values(), ids=BAD.keys())
def test_what_cannot_be_meant_is_answered_with_what_can(crowded, change, reason):
    with pytest.raises(UsageError, match=reason):
        answer(crowded, change)


@pytest.mark.parametrize("hours", [-1, 40])
def test_a_time_outside_the_day_is_refused(crowded, gear, hours):
    with pytest.raises(UsageError, match="before the time|after the day's end"):
        answer(crowded, Change("S1", {"booth": 1}, (), gear.at + timedelta(hours=hours)))


@pytest.mark.parametrize(
    "odd", [{"checkin_stations": 0}, {"expected_voters": 0.0}, {"expected_voters": 1e6}, {"booths": None}]
)
def test_an_odd_site_gets_an_answer_with_numbers(gear, day, odd):
    known = gear.known(settings=FEW, sites=[day.site("S1", **odd)], units=[gear.unit("SC1")])
    found = answer(known, Change("S1", {"checkin-station": 1, "scanner": 1}))
    assert np.isfinite([v for row in found.values() for v in row.values() if isinstance(v, float)]).all()


def test_a_place_that_closes_before_it_opens_has_nobody_to_wait(gear, day):
    site = day.site("S1") | {"closes_at": day.site("S1")["opens_at"] - timedelta(hours=1)}
    found = answer(gear.known(settings=FEW, sites=[site]), Change("S1", {"booth": 1}))
    assert found["all"]["voters_mean"] == found["all"]["voter_minutes_as_is_mean"] == 0


def test_scanners_added_stand_dark_until_they_are_switched_on():
    places = still_places(stations=[1], minutes=5)
    places = replace(places, scanners=np.array([1]), dark_from=np.full((1, 1), 3.0), dark_until=np.full((1, 1), 9.0))
    z = np.arange(particle.HEAD + 2, dtype=np.float32)[:, None, None].repeat(4, 2)
    wide, grown = runs.with_scanners(z, places, 2)
    assert wide[[particle.HEAD, particle.HEAD + 3], 0, 0].tolist() == [particle.HEAD, particle.HEAD + 1]
    assert runs.weighing.scanners_up(np.zeros_like(wide), grown, 0).max() == 1
    assert grown.dark_from[0].tolist() == [3.0, -np.inf, -np.inf]
