"""The lines of an invented county: what moves them, what must not, and an independent simulation to be held against."""

import heapq
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contracts import estimates, events
from pipeline.contracts.known import empty
from pipeline.estimates.lines import ahead, lines

FEW = {"lines.particles": 150.0}  # enough for what is shown here, and quick


def answer(known, readings=None):
    """Particles of a known, without anything said about power."""
    said = empty(events.TicketReadings) if readings is None else readings
    return lines.line_states(known, said, empty(events.SupplyStates))


def row(frame: pl.DataFrame, site_id: str = "S1", line: str = "checkin") -> dict:
    return frame.filter((pl.col("site_id") == site_id) & (pl.col("line") == line)).row(0, named=True)


def count(gear, ago: float, checkin, scanner=None, site_id: str = "S1", late: float = 2.0) -> dict:
    at = gear.ago(ago)
    return {"site_id": site_id, "at": at, "checkin_line": checkin, "scanner_line": scanner,
            "received_at": at + timedelta(minutes=late)}  # fmt: skip


def scanner_reports(gear, totals: dict[float, int], unit: str = "SC1", **more) -> list[dict]:
    return [
        gear.report(unit, ago, sequence=k, ballots_counted=total, **more)
        for k, (ago, total) in enumerate(totals.items())
    ]


def all_finite(frame: pl.DataFrame) -> bool:
    numbers = frame.select(pl.selectors.float())
    return not numbers.select(pl.all().is_nan().any() | pl.all().is_infinite().any()).row(0).__contains__(True)


def step(site_id: str, name: str, at) -> dict:
    return {"site_id": site_id, "milestone": name, "at": at, "received_at": at}


def test_a_fresh_head_count_is_believed(gear):
    found = row(lines.lines(answer(gear.known(settings=FEW, line_counts=[count(gear, 4, 40.0)]))))
    assert found["waiting_median"] == pytest.approx(40, abs=10)
    assert "head count 4 min ago" in found["basis"]


def test_without_a_count_the_interval_is_wider_and_says_so(gear):
    counted = row(lines.lines(answer(gear.known(settings=FEW, line_counts=[count(gear, 4, 40.0)]))))
    bare = row(lines.lines(answer(gear.known(settings=FEW))))
    assert "no report" in bare["basis"]
    assert bare["waiting_high"] - bare["waiting_low"] > counted["waiting_high"] - counted["waiting_low"]


def test_a_callers_number_counts_as_a_head_count(gear, day):
    ticket = {"ticket_id": "T1", "opened_at": gear.ago(5), "site": "S1", "text": "about 45 waiting", "status": "open"}
    said = {"ticket_id": "T1", "site_id": "S1", "site_confidence": 0.9, "category": "long-line", "waiting_said": 45.0}
    known = gear.known(settings=FEW, tickets=[ticket])
    found = row(lines.lines(answer(known, gear.readings([said | {"is_no_line": False}]))))
    assert found["waiting_median"] == pytest.approx(45, abs=18)
    assert "call 5 min ago" in found["basis"]


@pytest.mark.parametrize(("line_said", "line"), [(None, "scanner"), ("checkin", "checkin")])
def test_a_number_told_about_a_stopped_scanner_counts_there_unless_the_other_line_is_named(gear, day, line_said, line):
    ticket = {"ticket_id": "T1", "opened_at": gear.ago(3), "site": "S1", "text": "stopped, 41 stand", "status": "open"}
    said = {"ticket_id": "T1", "site_id": "S1", "site_confidence": 0.9, "category": "scanner-down", "unit_id": "SC1",
            "waiting_said": 41.0, "line_said": line_said, "is_no_line": False}  # fmt: skip
    known = gear.known(settings=FEW, tickets=[ticket], units=[gear.unit("SC1")])
    found = lines.lines(answer(known, gear.readings([said])))
    assert row(found, line=line)["waiting_median"] == pytest.approx(41, abs=18)
    other = "checkin" if line == "scanner" else "scanner"
    assert "call" not in row(found, line=other)["basis"]


def test_a_callers_number_that_cannot_be_a_line_is_only_a_call_about_a_line(gear, day):
    ticket = {"ticket_id": "T1", "opened_at": gear.ago(5), "site": "S1", "text": "long line", "status": "open"}
    said = {"ticket_id": "T1", "site_id": "S1", "site_confidence": 0.9, "category": "long-line", "is_no_line": False}
    known = gear.known(settings=FEW, tickets=[ticket])
    odd, vague = (lines.lines(answer(known, gear.readings([said | {"waiting_said": n}]))) for n in (5550.0, None))
    assert odd.equals(vague)


def test_no_call_is_no_evidence(gear, day):
    ticket = {"ticket_id": "T1", "opened_at": gear.ago(5), "site": "S1", "text": "a question", "status": "open"}
    said = {"ticket_id": "T1", "site_id": "S1", "site_confidence": 0.9, "category": "procedure", "is_no_line": False}
    bare = lines.lines(answer(gear.known(settings=FEW)))
    asked = lines.lines(answer(gear.known(settings=FEW, tickets=[ticket]), gear.readings([said])))
    assert asked.equals(bare)


def test_the_order_of_rows_does_not_matter(gear):
    rows = [count(gear, ago, heads) for ago, heads in ((200, 3.0), (90, 22.0), (15, 30.0))]
    status = scanner_reports(gear, {120: 100, 100: 130, 80: 150, 60: 180, 40: 200, 20: 222})
    units = [gear.unit("SC1"), gear.unit("PB1", kind="electronic-poll-book")]
    one, other = (
        lines.lines(answer(gear.known(settings=FEW, units=u, line_counts=r, status=s)))
        for u, r, s in ((units, rows, status), (units[::-1], rows[::-1], status[::-1]))
    )
    assert one.equals(other)


def test_a_late_row_weighs_as_if_it_had_come_in_time(gear):
    in_time, late = (
        lines.lines(
            answer(gear.known(settings=FEW, line_counts=[count(gear, 95, 50.0, late=late), count(gear, 20, 9.0)]))
        )
        for late in (1.0, 94.0)
    )
    assert in_time.equals(late)


def test_the_same_question_gives_the_same_numbers(gear):
    known = gear.known(settings=FEW, line_counts=[count(gear, 30, 12.0)])
    assert ahead.outlook(answer(known)).equals(ahead.outlook(answer(known)))


def test_a_frozen_counter_at_a_busy_time_builds_the_scanner_line(gear):
    # 20 and 10 in turn, as voters come; the same number every time, near what a scanner can read, is a standing line
    going = {300 - 10 * k: 15 * k + 5 * (k % 2) for k in range(30)}
    frozen = {ago: total if ago >= 70 else going[70] for ago, total in going.items()}
    found = []
    for totals in (going, frozen):
        status = scanner_reports(gear, totals, state=None)
        known = gear.known(units=[gear.unit("SC1")], status=status)  # with as many particles as usual
        found.append(row(lines.lines(answer(known)), line="scanner"))
    assert found[0]["waiting_median"] < 3
    assert found[1]["waiting_median"] > 15
    assert found[1]["wait_minutes_mean"] > 10


def test_a_reset_counter_is_no_crowd(gear):
    uneven = [15 * k + 5 * (k % 2) for k in range(15)]  # as voters come: the same every time is a standing line
    totals = {300 - 10 * k: uneven[k] for k in range(15)} | {150 - 10 * k: uneven[k] for k in range(14)}
    known = gear.known(units=[gear.unit("SC1")], status=scanner_reports(gear, totals))
    assert row(lines.lines(answer(known)), line="scanner")["waiting_median"] < 5


def test_a_scanner_without_power_is_down_and_its_promise_is_the_wait(gear):
    known = gear.known(settings=FEW, units=[gear.unit("SC1")])
    dark = {"unit_id": "SC1", "site_id": "S1", "supply": "dark", "dark_since": gear.ago(40), "basis": "invented"}
    dark["restoration_at"] = gear.ago(-60)
    supply = pl.DataFrame([dark], schema_overrides=dict(empty(events.SupplyStates).schema))
    supply = pl.concat([empty(events.SupplyStates), supply], how="diagonal")
    found = row(lines.lines(lines.line_states(known, empty(events.TicketReadings), supply)), line="scanner")
    assert found["waiting_mean"] > 10
    assert found["wait_minutes_median"] == pytest.approx(60, abs=25)
    assert found["chance_over_30"] > 0.7


def test_voting_suspended_serves_nobody(gear):
    steps = [step("S1", "suspended", gear.ago(60))]
    stopped = row(lines.lines(answer(gear.known(settings=FEW, milestones=steps))))
    again = row(lines.lines(answer(gear.known(settings=FEW, milestones=[*steps, step("S1", "resumed", gear.ago(55))]))))
    assert stopped["waiting_mean"] > again["waiting_mean"] + 20


def test_a_late_opening_leaves_a_line(gear, day):
    site = day.site("S1") | {"opens_at": gear.ago(40)}
    late, sharp = (
        row(lines.lines(answer(gear.known(settings=FEW, sites=[site], milestones=[step("S1", "open", gear.ago(ago))]))))
        for ago in (2, 40)
    )
    assert late["waiting_mean"] > sharp["waiting_mean"] + 15


def test_rows_come_an_hour_before_opening_and_go_with_the_last_voter(gear, day):
    opens, closes = day.site("S1")["opens_at"], day.site("S1")["closes_at"]

    sites = [day.site("S1", booths=60, checkin_stations=6), day.site("S2", booths=60, checkin_stations=6)]

    def rows(at, **more):
        return lines.lines(answer(gear.known(at=at, settings=FEW, sites=sites, **more))).height

    minute = timedelta(minutes=1)
    assert rows(opens - 61 * minute) == 0
    assert rows(opens - 30 * minute) == 4
    assert rows(closes - minute) == 4
    assert rows(closes + 300 * minute) == 0
    done = [step(site, "last-voter", closes + minute) for site in ("S1", "S2")]
    assert rows(closes + 3 * minute, milestones=done) == 0


def test_a_line_at_closing_is_served_out(gear, day):
    closes = day.site("S1")["closes_at"]
    at = closes + timedelta(minutes=2)
    counted = {"site_id": "S1", "at": closes, "checkin_line": 60.0, "received_at": closes}
    states = answer(gear.known(at=at, settings=FEW, line_counts=[counted]))
    assert row(lines.lines(states))["waiting_median"] > 35
    found = ahead.outlook(states).filter((pl.col("site_id") == "S1") & (pl.col("line") == "checkin"))
    later = found.sort("ahead_minutes")["waiting_mean"]
    assert later[0] < row(lines.lines(states))["waiting_mean"]


def test_the_outlook_has_three_horizons_and_ends_with_the_last_voter(gear):
    known = gear.known(at=gear.at + timedelta(hours=4), settings=FEW)
    found = ahead.outlook(answer(known))
    assert sorted(found["ahead_minutes"].unique()) == [30, 60, 120]
    last = found.filter(pl.col("ahead_minutes") == 120)
    assert last["last_voter_at_mean"].null_count() == 0
    assert found.filter(pl.col("ahead_minutes") < 120)["last_voter_at_mean"].null_count() == 8
    closes = known.sites["closes_at"][0]
    assert (last["last_voter_at_low"] >= closes).all()
    assert (last["last_voter_at_low"] <= last["last_voter_at_high"]).all()


def test_what_is_still_to_come_follows_the_roster(gear, day):
    known = gear.known(at=day.site("S1")["opens_at"], settings=FEW)
    found = lines.site_loads(answer(known)).row(0, named=True)
    assert found["remaining_voters_low"] < 900 < found["remaining_voters_high"]
    # Spread and bursts leave the mean as expected (lines.start_particles); 1.3 % were in line at opening
    assert found["remaining_voters_mean"] == pytest.approx(900 * 0.987, rel=0.1)
    assert found["minutes_to_close"] == 720


ODD = {
    "no stations": {"checkin_stations": 0},
    "no booths": {"booths": 0},
    "nobody expected": {"expected_voters": 0.0},
    "a million expected": {"expected_voters": 1e6},
    "a thousand stations": {"checkin_stations": 1000},
}


@pytest.mark.parametrize("odd", ODD.values(), ids=ODD.keys())
def test_odd_rosters_get_an_answer_with_numbers(gear, day, odd):
    known = gear.known(settings=FEW, sites=[day.site("S1", **odd), day.site("S2")], units=[gear.unit("SC1")])
    states = answer(known)
    for frame, model in ((lines.lines(states), estimates.Lines), (ahead.outlook(states), estimates.Outlook)):
        model.validate(frame)
        assert frame.filter(pl.col("site_id") == "S1").height > 0
        assert all_finite(frame)
    events.SiteLoads.validate(lines.site_loads(states))


def test_an_assumed_figure_is_named_in_the_basis(gear, day):
    found = row(lines.lines(answer(gear.known(settings=FEW, sites=[day.site("S1", checkin_stations=0)]))))
    assert "no check-in stations on the roster" in found["basis"]


def test_a_place_that_closes_before_it_opens_has_no_rows_and_no_crash(gear, day):
    site = day.site("S1") | {"closes_at": day.site("S1")["opens_at"] - timedelta(hours=1)}
    states = answer(gear.known(settings=FEW, sites=[site]))
    assert lines.lines(states).height == 0
    assert ahead.outlook(states).height == 0
    assert lines.site_loads(states).height == 1


def test_a_county_without_sites_has_empty_answers(gear):
    states = answer(gear.known(settings=FEW, sites=()))
    assert lines.lines(states).height == ahead.outlook(states).height == lines.site_loads(states).height == 0


def test_a_counter_ahead_of_everyone_who_could_have_come_is_survived(gear):
    totals = {300: 0, 290: 100_000, 280: 100_001, 270: 999_999}
    known = gear.known(settings=FEW, units=[gear.unit("SC1")], status=scanner_reports(gear, totals))
    assert all_finite(lines.lines(answer(known)))


def test_bounds_keep_their_order_and_chances_never_claim_certainty(gear):
    known = gear.known(settings=FEW, line_counts=[count(gear, 10, 300.0, 0.0)])
    frame = lines.lines(answer(known))
    for name in ("waiting", "wait_minutes"):
        assert (frame[f"{name}_low"] <= frame[f"{name}_median"]).all()
        assert (frame[f"{name}_median"] <= frame[f"{name}_high"]).all()
    assert frame["chance_over_30"].is_between(0, 1, closed="none").all()


def simulated_day(rng, stations: int, minutes: int, rate, service: float) -> tuple[np.ndarray, np.ndarray]:
    """An event-driven site, apart from our code: people waiting for check-in by minute, and ballots read by minute."""
    due = [(t + u, 0) for t in range(minutes) for u in rng.random(rng.poisson(rate(t)))]
    heapq.heapify(due)
    free, line, waiting, ballots = stations, 0, np.zeros(minutes), np.zeros(minutes)

    def serve(now: float) -> None:
        done = now + rng.lognormal(np.log(service) - 0.12, 0.49)  # CV .5: Herron & Smith 2016 found .45
        heapq.heappush(due, (done, 1))

    for t in range(minutes):
        while due and due[0][0] < t:
            now, kind = heapq.heappop(due)
            if kind == 0 and free:
                free -= 1
                serve(now)
            elif kind == 0:
                line += 1
            elif kind == 1:
                marked = int(now + rng.gamma(4, 5.5 / 4))
                ballots[min(marked, minutes - 1)] += 1
                if line:
                    line -= 1
                    serve(now)
                else:
                    free += 1
        waiting[t] = line
    return waiting, ballots.cumsum()


def test_simulated_sites_lie_in_their_intervals_and_nearer_than_nobody_waits(gear, day):
    rng = np.random.default_rng(11)
    sites, counts, status, units, truth = [], [], [], [], {}
    for k in range(30):  # of ten, three miss a true 90 % interval on one day in fourteen
        name = f"S{k}"
        level = 1.8 * rng.lognormal(0, 0.25)
        waiting, ballots = simulated_day(rng, 3, 300, lambda t, x=level: x * (1 + 0.3 * np.sin(t / 40)), 1.45)
        sites.append(day.site(name, expected_voters=1600.0))
        units.append(gear.unit(f"SC{k}", name))
        truth[name] = waiting[-1]
        for at in (80, 170, 230):
            counts.append(count(gear, 300 - at, float(waiting[at]), site_id=name))
        totals = {300 - t: int(ballots[t]) for t in range(3, 290, 10)}
        status += scanner_reports(gear, totals, unit=f"SC{k}")
    nobody_leaves = {"lines.particles": 300.0, "lines.leaving_hazard": 0.0}  # as in the simulation
    known = gear.known(sites=sites, units=units, line_counts=counts, status=status, settings=nobody_leaves)
    frame = lines.lines(answer(known)).filter(pl.col("line") == "checkin")
    true = np.array([truth[name] for name in frame["site_id"]])
    error = np.abs(frame["waiting_median"].to_numpy() - true)
    assert true.max() > 30  # a day with lines
    assert error.mean() < 0.6 * true.mean()
    inside = (frame["waiting_low"].to_numpy() - 0.5 <= true) & (true <= frame["waiting_high"].to_numpy() + 0.5)
    assert inside.mean() >= 0.8
