"""What people waited so far, and what a cause took of it."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contracts import events
from pipeline.contracts.asked import WAIT_CAUSES, Waits
from pipeline.contracts.known import empty
from pipeline.estimates.lines import lines, queues, waits

FEW = {"lines.particles": 150.0}


def answer(known) -> dict[tuple[str, str], dict]:
    day = lines.day_of(known, empty(events.TicketReadings), empty(events.SupplyStates))
    found = waits.waits(known, day)
    Waits.validate(found)
    return {(row["site_id"], row["cause"]): row for row in found.iter_rows(named=True)}


def count(gear, ago: float, checkin: float, site_id: str = "S1") -> dict:
    at = gear.ago(ago)
    return {"site_id": site_id, "at": at, "checkin_line": checkin, "received_at": at}


def test_a_cause_that_was_not_there_took_nothing_at_all(gear, day):
    # Without an outage and with an opening on time the particles beside are the particles, whatever weighs and moves them
    reports = [gear.report("SC1", ago, sequence=k, ballots_counted=20 * k) for k, ago in enumerate(range(280, 0, -15))]
    known = gear.known(settings=FEW, units=[gear.unit("SC1")], status=reports,
                       line_counts=[count(gear, ago, 25.0) for ago in (200, 110, 40)])  # fmt: skip
    found = answer(known)
    for cause in ("power", "late-opening"):
        assert [found["S1", cause][f"voter_minutes_{end}"] for end in ("mean", "median", "low", "high")] == [0] * 4
    assert found["S1", "all"]["voter_minutes_mean"] > 1000


def test_a_late_opening_costs_what_the_crowd_waited_meanwhile(gear, day):
    opens = day.site("S1")["opens_at"]
    step = {"site_id": "S1", "milestone": "open", "at": opens + timedelta(minutes=40), "received_at": gear.at}
    even = FEW | {"lines.burst_sd": 0.0, "lines.day_sd": 0.01, "lines.site_sd": 0.01, "lines.checkin_sd": 0.0}
    even |= {"lines.leaving_hazard": 0.0}
    sites = [day.site(name, checkin_stations=6, booths=99) for name in ("S1", "S2")]
    found = answer(gear.known(settings=even, sites=sites, milestones=[step]))
    late = found["S1", "late-opening"]
    # The fluid limit: 1.3 % of 900 stand there at opening, and 7.8 of 90.3 % (Stewart 2015, Table 3) come in the first
    # hour. They wait until minute 40, and then until six stations at 1.45 min have cleared them.
    crowd, rate, served = 900 * 0.013, 900 * 0.987 * 7.8 / 90.3 / 60, 6 / 1.45
    backlog = crowd + queues.fluid_backlog(rate, 40)
    fluid = 40 * crowd + rate * 40**2 / 2 + backlog**2 / (served - rate) / 2
    assert late["voter_minutes_mean"] == pytest.approx(fluid, rel=0.15)
    assert late["voter_minutes_low"] > 0
    assert found["S2", "late-opening"]["voter_minutes_mean"] == 0


NO_EMERGENCY = FEW | {"lines.compartment_share": 0.0}  # who may drop the ballot into a box does not wait


def stood(gear, since: float = 90) -> list[dict]:
    """Reports of a scanner that read some 1.3 ballots a minute, as 900 voters need, until it stood."""
    going = [(ago, max(round((290 - ago) * 1.3), 0), "scanning") for ago in range(285, int(since), -15)]
    last = going[-1][1]
    standing = [(ago, last, "fault") for ago in range(int(since) - 5, 3, -10)]
    return [
        gear.report("SC1", ago, sequence=k, state=state, ballots_counted=total)
        for k, (ago, total, state) in enumerate(going + standing)
    ]


def test_a_scanner_that_stood_is_where_the_time_went(gear, day):
    sites = [day.site("S1", checkin_stations=6, booths=60)]
    found = answer(gear.known(settings=NO_EMERGENCY, sites=sites, units=[gear.unit("SC1")], status=stood(gear)))
    stopped = found["S1", "scanner-stopped"]
    # The fluid limit, lambda D^2 / 2: 1.3 a minute were read before; an hour from 10:30 on takes 9.7 % on average, one
    # before took 9.0 % (Stewart 2015, Table 3), so 1.4 a minute for 90 minutes
    assert stopped["voter_minutes_mean"] == pytest.approx(1.4 * 90**2 / 2, rel=0.35)
    assert stopped["voter_minutes_low"] > 0
    assert stopped["share"] > 0.8
    assert stopped["voter_minutes_mean"] > 10 * abs(found["S1", "stations-short"]["voter_minutes_mean"])


def lost_to_a_stop(rate, served, lasts, left):
    """Voter-minutes in the fluid limit until T: while it stands, and until its line is gone."""
    stood = np.minimum(lasts, left)
    line = rate * stood
    clearing = np.minimum(line / (served - rate), left - stood)
    return rate * stood**2 / 2 + line * clearing - (served - rate) * clearing**2 / 2


def test_scanners_that_send_nothing_cost_what_stops_cost_by_the_prior(gear, day):
    even = {"lines.particles": 2000.0, "lines.burst_sd": 0.0, "lines.day_sd": 0.01, "lines.site_sd": 0.01}
    even |= {"lines.batches": 0.0, "lines.scan_sd": 0.0, "lines.leaving_hazard": 0.0}
    ids = [f"S{k}" for k in range(1, 7)]
    sites = [day.site(site_id, checkin_stations=6, booths=60) for site_id in ids]
    units = [gear.unit(f"SC-{site_id}", site_id) for site_id in ids]
    found = answer(gear.known(settings=NO_EMERGENCY | even, sites=sites, units=units))
    # 45.9 of 90.3 % come in these five hours (Stewart 2015, Table 3). A stop per 1 / .0033 minutes of work, which is
    # rate / served of the time; three of four last 5 minutes on average, the others 38, exponential, begun at any time.
    rate, served = 900 * 0.987 * 45.9 / 90.3 / 300, 1 / 0.44
    middles = (np.arange(300) + 0.5) / 300
    left, drawn = 300 * middles[:, None], -np.log(1 - middles[None, :])
    each = 0.75 * lost_to_a_stop(rate, served, 5 * drawn, left) + 0.25 * lost_to_a_stop(rate, served, 38 * drawn, left)
    theory = 300 * 0.0033 * rate / served * each.mean()
    # The mean of six sites has a standard error of 4 %. The fluid is low, by 13 % over thirteen sites: hours differ in
    # their arrivals, people wait by chance too, and a scanner that clears its line works, and fails, without a break.
    mean = np.mean([found[site_id, "scanner-stopped"]["voter_minutes_mean"] for site_id in ids])
    assert theory * 0.95 < mean < theory * 1.3


def test_a_stop_during_an_outage_of_the_circuit_is_put_down_to_power(gear, day):
    sites = [day.site("S1", checkin_stations=6, booths=60, circuit="K1")]
    told = {"settings": NO_EMERGENCY, "sites": sites, "units": [gear.unit("SC1")], "status": stood(gear)}
    found = answer(gear.known(**told, outages=[gear.outage("K1", 100)]))
    assert found["S1", "power"]["voter_minutes_mean"] > 5 * abs(found["S1", "scanner-stopped"]["voter_minutes_mean"])
    assert found["S1", "power"]["voter_minutes_low"] > 0


def test_what_was_waited_agrees_with_counts_every_quarter_of_an_hour(gear, day):
    # By the trapezoid through the counts; whoever waits at a booth or a scanner is few here
    line = {ago: 30 + 25 * np.sin(ago / 50) for ago in range(285, 0, -15)}
    counts = [count(gear, ago, round(people)) for ago, people in line.items()]
    found = answer(gear.known(settings=FEW, line_counts=counts, sites=[day.site("S1", booths=60)]))
    counted = 15 * sum(line.values())
    assert found["S1", "all"]["voter_minutes_mean"] == pytest.approx(counted, rel=0.15)
    assert found["S1", "all"]["voter_minutes_low"] < counted < found["S1", "all"]["voter_minutes_high"]


def test_nobody_waits_after_the_last_voter_nor_is_the_wait_for_a_booth_counted(gear, day):
    sites = [day.site("S1", booths=3, checkin_stations=6)]
    steps = [{"site_id": "S1", "milestone": "last-voter", "at": gear.ago(100), "received_at": gear.at}]
    counts = [count(gear, ago, 30.0) for ago in range(285, 0, -15)]
    known = gear.known(settings=FEW, sites=sites, line_counts=counts, milestones=steps)
    found = answer(known)["S1", "all"]
    # 30 stood at check-in from 07:15 or so until the last voter, three hours later; three booths of 5.2 minutes are
    # full within the first hour, as over a voter a minute comes
    assert found["voter_minutes_median"] == pytest.approx(30 * 190, rel=0.2)


def test_every_site_that_was_due_has_a_row_for_each_cause(gear, day):
    later = day.site("S3") | {"opens_at": gear.at + timedelta(hours=1)}
    never = day.site("S4") | {"closes_at": day.site("S4")["opens_at"] - timedelta(hours=1)}
    known = gear.known(settings=FEW, sites=[day.site("S1", checkin_stations=0, expected_voters=None), later, never])
    found = answer(known)
    assert list(found) == [("S1", cause) for cause in WAIT_CAUSES]
    assert all(np.isfinite(v) for row in found.values() for v in row.values() if isinstance(v, float))
    assert found["S1", "all"]["share"] == 1 and all(0 <= row["share"] <= 1 for row in found.values())


def test_a_county_without_sites_waited_for_nothing(gear):
    assert answer(gear.known(sites=())) == {}


def test_the_order_of_rows_does_not_matter(gear):
    counts = [count(gear, ago, 20.0) for ago in (200, 110, 40)]
    known = [gear.known(settings=FEW, line_counts=rows) for rows in (counts, counts[::-1])]
    assert answer(known[0]) == answer(known[1])


def test_the_middle_of_weighted_particles_is_the_weighted_middle():
    part = np.arange(1000, dtype=np.float32)[None, None, :]
    logw = np.where(np.arange(1000) < 500, np.log(3.0), 0.0)[None, :]
    # three quarters of the weight lie below 500: the mean is .75 x 249.5 + .25 x 749.5
    assert waits.taken(part, logw).mean() == pytest.approx(374.5, abs=1.5)
    assert waits.taken(part, None) is part


def test_blocks_add_up_and_their_bounds_with_them():
    front, back = np.full((5, 1, 4), 3.0, np.float32), np.full((5, 1, 4), 4.0, np.float32)
    front[2:] = 1.0  # with the second cause off, five are waited
    found = waits.points(front, back, None)
    assert found[0, :, 0].tolist() == [7] * 4
    assert found[1, :, 0].tolist() == [0] * 4
    assert found[2, :, 0].tolist() == [2] * 4
    back[0, 0] = [0, 0, 1, 7]
    assert waits.points(front, back, None)[0, :2, 0].tolist() == [5, 3.5]  # of 3, 3, 4, 10: mean and median


def test_waits_are_a_question_of_their_own(gear):
    from pipeline.estimates import Answers

    frame = Answers(gear.known(settings=FEW)).answer("waits")
    assert isinstance(frame, pl.DataFrame) and set(frame["cause"]) == set(WAIT_CAUSES)
