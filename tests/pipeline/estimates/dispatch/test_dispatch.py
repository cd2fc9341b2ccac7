from datetime import timedelta

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.contracts.estimates import Dispatch
from pipeline.estimates.dispatch.cautions import caution_for
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.skills import SKILLS

MINUTE = timedelta(minutes=1)


def plan(inputs):
    frame = dispatch(*inputs)
    Dispatch.validate(frame)
    return frame


def stops(frame):
    return [(row["rover_id"], row["stop"], row["site_id"], tuple(row["ticket_ids"])) for row in frame.to_dicts()]


def test_the_nearest_free_rover_goes(day, dispatch_inputs):
    frame = plan(dispatch_inputs([day.ticket("K1", "S2")]))
    assert stops(frame) == [("R1", 1, "S2", ("K1",))]
    # 0.05 degrees of latitude is 5.56 km: ·1.3 / 40 km/h = 10.84 min, and 2
    assert (frame["arrive_at"][0] - frame["leave_at"][0]).total_seconds() / 60 == pytest.approx(12.84, abs=0.02)
    assert frame["leave_at"][0] == day.at


def test_the_rover_with_the_skill_goes(day, dispatch_inputs):
    rovers = [day.rover("R1", skills="bmd"), day.rover("R2", 0.2, skills="scanner")]
    frame = plan(dispatch_inputs([day.ticket("K1")], rovers=rovers))
    assert stops(frame) == [("R2", 1, "S1", ("K1",))]
    assert "No other rover on shift can take it." in frame["why"][0]


def test_somebody_looks_when_nobody_has_the_skill(day, dispatch_inputs):
    frame = plan(dispatch_inputs([day.ticket("K1")], rovers=[day.rover("R1", skills="bmd")]))
    assert stops(frame) == [("R1", 1, "S1", ("K1",))]
    assert "No rover on shift lists scanners: it goes to look." in frame["why"][0]


def test_a_rover_without_listed_skills_counts_as_able(day, dispatch_inputs):
    frame = plan(dispatch_inputs([day.ticket("K1")], rovers=[day.rover("R1", skills=None)]))
    assert "goes to look" not in frame["why"][0]


def test_the_larger_stake_comes_first(day, dispatch_inputs):
    tickets = [
        day.ticket("K1", "S2", category="bmd", voter_minutes_at_risk=30.0),
        day.ticket("K2", "S3", voter_minutes_at_risk=6000.0),
    ]
    frame = plan(dispatch_inputs(tickets, rovers=[day.rover("R1")]))
    assert [row[2] for row in stops(frame)] == ["S3", "S2"]


def test_the_stop_that_a_rover_drives_to_stays_first_for_a_small_gain(day, dispatch_inputs):
    sent = day.ticket("K1", "S3", "bmd", status="assigned", rover_id="R1", assigned_at=day.at - 4 * MINUTE)
    other = day.ticket("K2", "S1", "bmd", voter_minutes_at_risk=300.0)
    frame = plan(dispatch_inputs([sent, other], rovers=[day.rover("R1")]))
    assert stops(frame) == [("R1", 1, "S3", ("K1",)), ("R1", 2, "S1", ("K2",))]
    assert frame["is_under_way"].to_list() == [True, False]
    assert frame["is_diverted"].to_list() == [False, False]


def test_a_rover_under_way_is_turned_off_only_for_a_real_gain_and_told_why(day, dispatch_inputs):
    sent = day.ticket("K1", "S3", "bmd", status="assigned", rover_id="R1", assigned_at=day.at - 4 * MINUTE)
    big = day.ticket("K2", "S1", voter_minutes_at_risk=9000.0)
    rows = [sent, big]
    frame = plan(dispatch_inputs(rows, rovers=[day.rover("R1")]))
    assert stops(frame) == [("R1", 1, "S1", ("K2",)), ("R1", 2, "S3", ("K1",))]
    assert "It turns off from S3 Grange Hall, where less is lost." in frame["why"][0]
    assert frame["is_diverted"].to_list() == [False, True]
    dear = {"dispatch.switching_cost": 1e6}
    held = plan(dispatch_inputs(rows, rovers=[day.rover("R1")], settings=dear))
    assert [row[2] for row in stops(held)] == ["S3", "S1"]


def test_the_more_its_stop_loses_the_more_it_takes_to_turn_a_rover_off(day, dispatch_inputs):
    # both stakes tenfold: without a share the gain is ten times as far above the fixed sum, with a large one it is not
    def first(risk, share):
        sent = day.ticket(
            "K1", "S3", status="assigned", rover_id="R1", assigned_at=day.at - 4 * MINUTE, voter_minutes_at_risk=risk
        )
        other = day.ticket("K2", "S1", voter_minutes_at_risk=2 * risk)
        settings = {"dispatch.switching_share": share}
        return stops(plan(dispatch_inputs([sent, other], rovers=[day.rover("R1")], settings=settings)))[0][2]

    assert first(9000.0, 0.0) == "S1"
    assert first(9000.0, 5.0) == "S3"


def test_a_rover_that_should_be_there_by_now_is_not_turned_off(day, dispatch_inputs):
    sent = day.ticket("K1", "S3", "bmd", status="assigned", rover_id="R1", assigned_at=day.at - 40 * MINUTE)
    big = day.ticket("K2", "S1", voter_minutes_at_risk=90_000.0)
    assert stops(plan(dispatch_inputs([sent, big], rovers=[day.rover("R1")])))[0][2] == "S3"


def test_a_rover_turned_off_sets_out_from_where_it_is(day, dispatch_inputs):
    # R1 left S1 for S3 (0.1° south, 23.68 min with 2 at the ends) 12 min ago: about half of the way back
    sent = day.ticket("K1", "S3", "bmd", status="assigned", rover_id="R1", assigned_at=day.at - 12 * MINUTE)
    big = day.ticket("K2", "S1", voter_minutes_at_risk=20_000.0)
    row = plan(dispatch_inputs([sent, big], rovers=[day.rover("R1")])).to_dicts()[0]
    assert row["site_id"] == "S1"
    back = 2 + 12 / 23.68 * 21.68
    assert (row["arrive_at"] - day.at).total_seconds() / 60 == pytest.approx(back, abs=0.1)


def test_a_rover_under_way_arrives_by_when_it_left(day, dispatch_inputs):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 4 * MINUTE)
    row = plan(dispatch_inputs([sent])).to_dicts()[0]
    assert (row["arrive_at"] - day.at).total_seconds() / 60 == pytest.approx(12.84 - 4, abs=0.02)
    assert "given this stop since 11:56" in row["why"]


def test_a_rover_that_should_be_there_is_expected_any_minute(day, dispatch_inputs):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 40 * MINUTE)
    row = plan(dispatch_inputs([sent])).to_dicts()[0]
    assert row["arrive_at"] == day.at + 2 * MINUTE  # dispatch.travel_extra_minutes


def test_a_stop_given_long_ago_is_in_doubt_and_holds_nothing_up(day, dispatch_inputs):
    sent = day.ticket("K1", "S3", "bmd", status="assigned", rover_id="R1", assigned_at=day.at - 300 * MINUTE)
    frame = plan(dispatch_inputs([sent, day.ticket("K2", "S1")], rovers=[day.rover("R1")]))
    assert stops(frame) == [("R1", 1, "S1", ("K2",)), ("R1", 2, "S3", ("K1",))]
    assert frame["is_under_way"].to_list() == [False, False]
    assert "given this stop since 07:00, nothing heard: ask it first" in frame["why"][1]


def test_a_stop_in_doubt_is_never_given_to_another_rover(day, dispatch_inputs):
    sent = day.ticket("K1", "S3", "bmd", status="assigned", rover_id="R2", assigned_at=day.at - 300 * MINUTE)
    assert stops(plan(dispatch_inputs([sent]))) == [("R2", 1, "S3", ("K1",))]


def test_a_stop_of_a_rover_that_went_home_is_anybodys(day, dispatch_inputs):
    rovers = [day.rover("R1"), day.rover("R2", off_shift_at=day.at - MINUTE)]
    sent = day.ticket("K1", "S3", status="assigned", rover_id="R2", assigned_at=day.at - 5 * MINUTE)
    frame = plan(dispatch_inputs([sent], rovers=rovers))
    assert stops(frame) == [("R1", 1, "S3", ("K1",))]
    assert frame["is_under_way"].to_list() == [False]


def test_the_second_of_two_given_stops_is_not_overdue_while_the_first_takes_its_time(day, dispatch_inputs):
    # 12.8 min to S2, 20 there, 34.5 to S3: expected 67 min after the start, so 7 min ahead of T
    sent = [
        day.ticket(f"K{n}", site, status="assigned", rover_id="R1", assigned_at=day.at - 60 * MINUTE)
        for n, site in ((1, "S2"), (2, "S3"))
    ]
    frame = plan(dispatch_inputs(sent, rovers=[day.rover("R1")]))
    assert frame["is_under_way"].to_list() == [True, True]


def test_no_stop_where_danger_is_reported_even_for_a_rover_under_way(day, dispatch_inputs):
    tickets = [
        day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at),
        day.ticket("K2", "S2", category="safety"),
        day.ticket("K3", "S3"),
    ]
    assert [row[2] for row in stops(plan(dispatch_inputs(tickets)))] == ["S3"]


def test_a_rover_sent_to_where_danger_is_reported_since_is_as_far_as_it_has_come(day, dispatch_inputs):
    # S3 lies the other way. Half of the 12.84 min to S2 are over: 0.125 degrees back to S3, 13.9 km · 1.3 / 40 km/h, 2 min
    tickets = [
        day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 6.42 * MINUTE),
        day.ticket("K2", "S2", category="safety"),
        day.ticket("K3", "S3"),
    ]
    frame = plan(dispatch_inputs(tickets, rovers=[day.rover("R1")]))
    assert stops(frame) == [("R1", 1, "S3", ("K3",))]
    assert (frame["arrive_at"][0] - frame["leave_at"][0]).total_seconds() / 60 == pytest.approx(29.1, abs=0.05)
    # Long over: it stands at S2, 34.5 min from S3
    tickets[0] |= {"assigned_at": day.at - 60 * MINUTE}
    frame = plan(dispatch_inputs(tickets, rovers=[day.rover("R1")]))
    assert (frame["arrive_at"][0] - frame["leave_at"][0]).total_seconds() / 60 == pytest.approx(34.53, abs=0.05)


def dark(unit_id, site_id, **more):
    usual = {
        "unit_id": unit_id, "site_id": site_id, "supply": "battery", "chance_dark": 0.6,
        "expected_dark_minutes": 60.0, "expected_voter_minutes": 900.0, "basis": "invented",
    }  # fmt: skip
    return usual | more


def test_a_site_that_may_go_dark_gets_a_free_rover_with_the_power_skill(day, dispatch_inputs):
    rovers = [day.rover("R1", skills="scanner", parts="cable:1"), day.rover("R2", 0.2, skills="power")]
    frame = plan(
        dispatch_inputs([], rovers=rovers, power=[dark("U1", "S2", expected_voter_minutes=9.0), dark("U2", "S2")])
    )
    assert stops(frame) == [("R2", 1, "S2", ())]
    assert frame["unit_id"].to_list() == ["U2"]
    assert "may go dark" in frame["why"][0]
    assert "20 ft" in frame["caution"][0]


@pytest.mark.parametrize(
    "more", [{"chance_dark": 0.1}, {"expected_voter_minutes": 20.0}, {"supply": "mains"}, {"site_id": None}]
)
def test_a_small_threat_sends_nobody(day, dispatch_inputs, more):
    assert stops(plan(dispatch_inputs([], power=[dark("U1", "S2") | more]))) == []


def test_a_threat_competes_with_tickets_by_what_it_costs(day, dispatch_inputs):
    def order(cost):
        power = [dark("U1", "S2", expected_voter_minutes=cost, empty_at_mean=day.at + 30 * MINUTE)]
        ticket = day.ticket("K1", "S3", "tape-printer")
        return [row[2] for row in stops(plan(dispatch_inputs([ticket], rovers=[day.rover("R1")], power=power)))]

    assert order(70.0) == ["S3", "S2"]
    assert order(20_000.0) == ["S2", "S3"]


def test_a_threat_carries_its_deadline(day, dispatch_inputs):
    empty_at = day.at + 95 * MINUTE
    row = plan(dispatch_inputs([], power=[dark("U1", "S2", empty_at_mean=empty_at)])).to_dicts()[0]
    assert row["deadline_at"] == empty_at
    assert "U1 is expected to be empty about 13:35" in row["why"]


@pytest.mark.parametrize("minutes", [5, 95, 200])
def test_a_visit_saves_no_more_than_is_at_stake_until_closing(day, dispatch_inputs, minutes):
    # a cost that grows on for as long as nobody comes once said that a visit saves more than could be lost at all
    empty_at = day.at + minutes * MINUTE
    row = plan(dispatch_inputs([], power=[dark("U1", "S2", empty_at_mean=empty_at)])).to_dicts()[0]
    assert 0 < row["voter_minutes_saved"] <= 900.0


def test_nobody_is_sent_to_a_threat_where_danger_is_reported(day, dispatch_inputs):
    tickets = [day.ticket("K1", "S2", "safety")]
    assert stops(plan(dispatch_inputs(tickets, power=[dark("U1", "S2")]))) == []


def test_parts_are_named_and_used_up(day, dispatch_inputs):
    tickets = [day.ticket("K1", "S1", "tape-printer"), day.ticket("K2", "S2", "tape-printer")]
    frame = plan(dispatch_inputs(tickets, rovers=[day.rover("R1", parts="paper-roll:1")]))
    assert frame["parts"].to_list() == [["paper-roll"], []]
    # seven times in ten the first stop needs it
    assert "A stop before may use up what is on board for report printer (chance 70%)." in frame["why"][1]


def test_every_stop_has_its_caution(day, dispatch_inputs):
    for number, category in enumerate(SKILLS):
        row = plan(dispatch_inputs([day.ticket(f"K{number}", category=category)])).to_dicts()[0]
        assert row["caution"] == caution_for([category])
        assert row["caution"].endswith("Local rules and licensed people decide.")


def test_saved_voter_minutes_stand_with_an_interval(day, dispatch_inputs):
    row = plan(dispatch_inputs([day.ticket("K1")])).to_dicts()[0]
    assert 0 < row["voter_minutes_saved_low"] < row["voter_minutes_saved"] < row["voter_minutes_saved_high"]


def test_a_doubtful_site_is_asked_about_first(day, dispatch_inputs):
    frame = plan(dispatch_inputs([day.ticket("K1", site_confidence=0.4)]))
    assert "The site is a guess (40%): call first." in frame["why"][0]


@pytest.mark.parametrize("missing", [{"rovers": []}, {"sites": []}, {"loads": []}, {}])
def test_nothing_to_plan_from_is_an_empty_plan_or_a_plain_one(day, dispatch_inputs, missing):
    tickets = [day.ticket("K1")] if missing else []
    frame = plan(dispatch_inputs(tickets, **missing))
    assert frame.height == (1 if "loads" in missing else 0)
    assert list(frame.columns)[:11] == list(Dispatch.to_schema().columns)


def test_a_rover_off_the_map_gets_nothing_it_cannot_reach(day, dispatch_inputs):
    frame = plan(dispatch_inputs([day.ticket("K1")], rovers=[day.rover("R1", latitude=-40.0)]))
    assert frame.is_empty()


def test_order_of_rows_does_not_matter(day, dispatch_inputs):
    tickets = [day.ticket(f"K{n}", f"S{1 + n % 3}", c) for n, c in enumerate(SKILLS)]
    known, *frames = dispatch_inputs(tickets, power=[dark("U1", "S2"), dark("U2", "S3")])
    turned = type(known)(
        **{name: value.reverse() if isinstance(value, pl.DataFrame) else value for name, value in vars(known).items()}
    )
    assert dispatch(known, *frames).equals(dispatch(turned, *(frame.reverse() for frame in frames)))


WHEN = st.none() | st.integers(-400, 30)
RANDOM_TICKET = st.fixed_dictionaries(
    {
        "site_id": st.sampled_from(["S1", "S2", "S3", "S9", None]),
        "category": st.sampled_from([*SKILLS, "safety", "procedure", "long-line"]),
        "status": st.sampled_from(["open", "assigned", "resolved"]),
        "rover_id": st.sampled_from(["R1", "R2", "R9", None]),
        "same_as": st.sampled_from(["K0", "K1", "K2", "nobody", None]),
        "severity": st.integers(1, 4),
        "voter_minutes_at_risk": st.none() | st.floats(0, 1e6),
        "site_confidence": st.floats(0, 1),
        "opened": st.integers(-500, 30),
        "assigned": WHEN,
        "arrived": WHEN,
        "resolved": WHEN,
    }
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(RANDOM_TICKET, max_size=9))
def test_any_tickets_make_a_plan_that_can_be_driven(day, dispatch_inputs, drawn):
    tickets = []
    for number, row in enumerate(drawn):
        times = {
            f"{name}_at": day.at + row[name] * MINUTE
            for name in ("opened", "assigned", "arrived", "resolved")
            if row[name] is not None
        }
        tickets.append(day.ticket(f"K{number}", **{k: v for k, v in row.items() if f"{k}_at" not in times}, **times))
    frame = plan(dispatch_inputs(tickets))
    unsafe = {t["site_id"] for t in tickets if t["category"] == "safety" and t["status"] != "resolved"}
    assert not unsafe & set(frame["site_id"])
    ids = [ticket_id for row in frame["ticket_ids"] for ticket_id in row]
    assert len(ids) == len(set(ids)) and set(ids) <= {t["ticket_id"] for t in tickets if t["status"] != "resolved"}
    for (_,), legs in frame.group_by("rover_id"):
        legs = legs.sort("stop")
        assert legs["stop"].to_list() == list(range(1, legs.height + 1))
        assert (legs["leave_at"] >= day.at).all() and (legs["arrive_at"] >= legs["leave_at"]).all()
        assert (legs["leave_at"].slice(1) >= legs["arrive_at"].slice(0, legs.height - 1)).all()
        given_first = legs["is_under_way"].to_list()
        assert given_first == sorted(given_first, reverse=True)
    assert frame["voter_minutes_saved"].is_finite().all()


def test_one_visit_serves_a_ticket_and_what_is_foreseen_there(day, dispatch_inputs):
    power = [dark("U1", "S2", empty_at_mean=day.at + 95 * MINUTE)]
    (row,) = plan(dispatch_inputs([day.ticket("K1", "S2", "poll-book")], power=power)).to_dicts()
    assert (row["ticket_ids"], row["categories"]) == (["K1"], ["poll-book", "power"])
    assert row["deadline_at"] == day.at + 95 * MINUTE
    assert row["visit_minutes"] == 28  # dispatch.visit_minutes and further_minutes
    assert row["why"].startswith("Poll book since 11:50 (K1)")
    assert "The same visit serves what is foreseen: Off mains and may go dark" in row["why"]
    assert "20 ft" in row["caution"]


def test_a_shared_visit_saves_what_both_would_lose(day, dispatch_inputs):
    power, ticket = [dark("U1", "S2")], day.ticket("K1", "S2", "poll-book")
    exact = {"dispatch.further_minutes": 0.0, "dispatch.outlying_people": 0.0}
    (both,), (one,), (other,) = (
        plan(dispatch_inputs(tickets, power=threats, settings=exact)).to_dicts()
        for tickets, threats in (([ticket], power), ([ticket], []), ([], power))
    )
    assert both["voter_minutes_saved"] == pytest.approx(one["voter_minutes_saved"] + other["voter_minutes_saved"])


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({"skills": "poll-book"}, {"skills": "power"}),
        ({"skills": "poll-book;power", "parts": "paper:1"}, {"skills": "power"}),
        ({"skills": "poll-book;power"}, {"skills": "scanner", "parts": "battery:1"}),  # one visit would be R1's only
    ],
)
def test_what_one_rover_cannot_see_to_stays_two_stops(day, dispatch_inputs, first, second):
    rovers = [day.rover("R1", **first), day.rover("R2", 0.2, **second)]
    frame = plan(dispatch_inputs([day.ticket("K1", "S2", "poll-book")], rovers=rovers, power=[dark("U1", "S2")]))
    assert sorted(row[2:] for row in stops(frame)) == [("S2", ()), ("S2", ("K1",))]


def test_a_rover_on_its_way_sees_to_what_is_foreseen_there(day, dispatch_inputs):
    def given_since(minutes):
        sent = day.ticket(
            "K1", "S2", "poll-book", status="assigned", rover_id="R1", assigned_at=day.at - minutes * MINUTE
        )
        return stops(plan(dispatch_inputs([sent], power=[dark("U1", "S2")])))

    assert given_since(5) == [("R1", 1, "S2", ("K1",))]
    assert len(given_since(200)) == 2  # long overdue: likelier made and not reported


def test_a_rover_whose_one_battery_goes_to_the_stop_before_is_not_said_to_carry_one(day, dispatch_inputs):
    rover = day.rover("R1", skills="scanner", parts="battery:1")
    power = [dark("U1", "S2", expected_voter_minutes=2000.0), dark("U2", "S3")]
    first, second = plan(dispatch_inputs([], rovers=[rover], power=power)).to_dicts()
    assert "It lists no power skill, but carries a battery or a generator." in first["why"]
    assert "It lists no power skill, but what it carries for power goes to the stops before." in second["why"]
    assert (first["parts"], second["parts"]) == (["battery"], [])
    assert second["why"].endswith("No part on board for: power.")
