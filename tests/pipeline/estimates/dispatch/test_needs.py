import math
from datetime import timedelta

import pytest

from pipeline.estimates.dispatch.censored import mean_length
from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.learning import waits
from pipeline.estimates.dispatch.needs import joined, open_needs

MINUTE = timedelta(minutes=1)


def needs_of(dispatch_inputs, tickets, **more):
    return open_needs(*dispatch_inputs(tickets, **more))


def test_the_next_hour_costs_what_the_ticket_puts_at_risk(day, dispatch_inputs):
    (need,) = needs_of(dispatch_inputs, [day.ticket("K1", voter_minutes_at_risk=900.0)])
    plain = Cost(need.cost.level, need.cost.growth, need.cost.delay, need.cost.cap)  # without the clearing afterwards
    assert plain(need.age + 60) - plain(need.age) == pytest.approx(900, rel=1e-6)


def test_a_trouble_at_an_empty_place_is_still_seen(day, dispatch_inputs):
    (need,) = needs_of(dispatch_inputs, [day.ticket("K1", voter_minutes_at_risk=0.0)])
    assert need.cost.level == 2  # dispatch.least_people_2


@pytest.mark.parametrize(
    "category",
    ["seal", "transmission", "long-line", "site-access", "staffing", "conduct", "procedure", "other"],
)
def test_what_needs_no_rover_is_no_stop(day, dispatch_inputs, category):
    assert needs_of(dispatch_inputs, [day.ticket("K1", category=category)]) == []


@pytest.mark.parametrize(
    ("category", "skill"),
    [
        ("scanner-down", "scanner"),
        ("scanner-jam", "scanner"),
        ("memory-card", "scanner"),
        ("tape-printer", "scanner"),
        ("bin-full", "scanner"),
        ("bmd", "bmd"),
        ("accessible-device", "bmd"),
        ("poll-book", "poll-book"),
        ("power", "power"),
        ("ballot-stock", "supplies"),
    ],
)
def test_each_category_asks_for_its_skill(day, dispatch_inputs, category, skill):
    assert needs_of(dispatch_inputs, [day.ticket("K1", category=category)])[0].skills == {skill}


def test_a_second_category_can_ask_for_a_rover(day, dispatch_inputs):
    (need,) = needs_of(dispatch_inputs, [day.ticket("K1", category="long-line", categories=["long-line", "poll-book"])])
    assert need.skills == {"poll-book"}


def test_nobody_is_sent_where_danger_is_reported(day, dispatch_inputs):
    tickets = [day.ticket("K1"), day.ticket("K2", category="safety"), day.ticket("K3", site_id="S2")]
    assert [need.site_id for need in needs_of(dispatch_inputs, tickets)] == ["S2"]


def test_a_site_marked_cleared_is_served_again(day, dispatch_inputs):
    cleared = day.ticket("K2", category="safety", status="resolved", resolved_at=day.at - MINUTE)
    assert len(needs_of(dispatch_inputs, [day.ticket("K1"), cleared])) == 1


def test_danger_as_a_second_category_counts(day, dispatch_inputs):
    both = day.ticket("K1", category="power", categories=["power", "safety"])
    assert needs_of(dispatch_inputs, [both]) == []


def test_repeats_and_other_troubles_of_a_site_are_one_stop(day, dispatch_inputs):
    tickets = [day.ticket("K1"), day.ticket("K2", same_as="K1"), day.ticket("K3", category="poll-book")]
    (need,) = needs_of(dispatch_inputs, tickets)
    assert need.ticket_ids == ("K1", "K2", "K3")
    assert need.skills == {"scanner", "poll-book"}


def test_a_repeat_costs_nothing_more(day, dispatch_inputs):
    (once,) = needs_of(dispatch_inputs, [day.ticket("K1")])
    (twice,) = needs_of(dispatch_inputs, [day.ticket("K1"), day.ticket("K2", same_as="K1")])
    assert twice.lost(60) == pytest.approx(once.lost(60))


def test_troubles_that_no_rover_can_mend_together_are_two_stops(day, dispatch_inputs):
    rovers = [day.rover("R1", skills="scanner"), day.rover("R2", skills="supplies")]
    tickets = [day.ticket("K1"), day.ticket("K2", category="ballot-stock")]
    assert sorted(n.ticket_ids for n in needs_of(dispatch_inputs, tickets, rovers=rovers)) == [("K1",), ("K2",)]


@pytest.mark.parametrize(
    "state",
    [
        {"status": "resolved"},
        {"status": "assigned", "rover_id": "R1", "arrived": -3},
        {"site_id": None},
        {"site_id": "S99"},
    ],
)
def test_what_is_settled_reached_or_nowhere_is_no_stop(day, dispatch_inputs, state):
    arrived = state.pop("arrived", None)
    more = {} if arrived is None else {"arrived_at": day.at + arrived * MINUTE}
    assert needs_of(dispatch_inputs, [day.ticket("K1", **state, **more)]) == []


def test_a_visit_covers_the_repeats_reported_before_it(day, dispatch_inputs):
    visited = day.ticket(
        "K1", status="resolved", rover_id="R1", arrived_at=day.at - 5 * MINUTE, resolved_at=day.at - MINUTE
    )
    before = day.ticket("K2", same_as="K1", opened_at=day.at - 8 * MINUTE)
    after = day.ticket("K3", same_as="K1", opened_at=day.at - 0.5 * MINUTE)
    assert [n.ticket_ids for n in needs_of(dispatch_inputs, [visited, before, after])] == [("K3",)]


def test_repeats_that_point_in_a_circle_are_still_one_stop(day, dispatch_inputs):
    tickets = [day.ticket("K1", same_as="K2"), day.ticket("K2", same_as="K1")]
    assert [n.ticket_ids for n in needs_of(dispatch_inputs, tickets)] == [("K1", "K2")]


def test_a_ticket_given_to_a_rover_stays_with_it(day, dispatch_inputs):
    sent = day.ticket("K1", status="assigned", rover_id="R2", assigned_at=day.at - 5 * MINUTE)
    (need,) = needs_of(dispatch_inputs, [sent, day.ticket("K2", same_as="K1")])
    assert (need.rover_id, need.ticket_ids, need.chance) == ("R2", ("K1", "K2"), 1.0)


def test_two_rovers_sent_to_one_site_keep_a_stop_each(day, dispatch_inputs):
    tickets = [day.ticket(f"K{n}", status="assigned", rover_id=f"R{n}", assigned_at=day.at) for n in (1, 2)]
    assert [(n.rover_id, n.ticket_ids) for n in needs_of(dispatch_inputs, tickets)] == [
        ("R1", ("K1",)),
        ("R2", ("K2",)),
    ]


def test_the_phone_settles_what_it_can(day, dispatch_inputs):
    # Bayes: prior q, others settled at rate 1/20 min; open after 20·ln 3 min: q/(q + (1 − q)/3), all tickets being closed
    q, tried = 0.7, 20 * math.log(3)
    by_phone = day.ticket(
        "K1", category="bmd", status="assigned", assigned_at=day.at - tried * MINUTE, site_confidence=1.0
    )
    (need,) = needs_of(dispatch_inputs, [by_phone], settings={"dispatch.left_open": 0.0})
    assert need.chance == pytest.approx(q / (q + (1 - q) / 3), rel=1e-6)


def test_the_days_own_tickets_move_the_chance_that_a_rover_is_needed(day, dispatch_inputs):
    # 8 imagined tickets at .7 and 4 of the day without a rover: (5.6 + 0) / 12
    settled = [
        day.ticket(f"K{n}", "S2", "bmd", status="resolved", resolved_at=day.at, opened_at=day.at - 60 * MINUTE)
        for n in range(4)
    ]
    (need,) = needs_of(
        dispatch_inputs, [*settled, day.ticket("K9", category="bmd", site_confidence=1.0, opened_at=day.at)]
    )
    assert need.chance == pytest.approx(5.6 / 12)


def test_the_days_own_visits_move_the_length_of_a_visit(day, dispatch_inputs):
    # 8 imagined visits of 20 min and 2 of 50: 260 / 10
    visits = [
        day.ticket(
            f"K{n}", "S2", "bmd", status="resolved", rover_id="R1", opened_at=day.at - 90 * MINUTE,
            arrived_at=day.at - 60 * MINUTE, resolved_at=day.at - 10 * MINUTE,
        )
        for n in range(2)
    ]  # fmt: skip
    (need,) = needs_of(dispatch_inputs, [*visits, day.ticket("K9", category="bmd")])
    assert need.visit_minutes == pytest.approx(26)


def test_a_visit_that_goes_on_is_counted_as_far_as_it_got(day, dispatch_inputs):
    # 8 imagined visits of 20 min, one of 50 and 60 min of one that goes on: 270 over 9 ends
    tickets = [
        day.ticket(
            "K1", "S2", "bmd", status="resolved", rover_id="R1", opened_at=day.at - 90 * MINUTE,
            arrived_at=day.at - 60 * MINUTE, resolved_at=day.at - 10 * MINUTE,
        ),
        day.ticket(
            "K2", "S3", "bmd", status="assigned", rover_id="R2", opened_at=day.at - 90 * MINUTE,
            arrived_at=day.at - 60 * MINUTE,
        ),
        day.ticket("K9", category="bmd"),
    ]  # fmt: skip
    exact = {"dispatch.left_open": 0.0}
    (need,) = needs_of(dispatch_inputs, tickets, settings=exact)
    assert need.visit_minutes == pytest.approx(30)
    moved_on = day.ticket(
        "K3", "S2", "scanner-jam", status="assigned", rover_id="R2", opened_at=day.at - 90 * MINUTE, arrived_at=day.at
    )
    (need,) = needs_of(dispatch_inputs, [*tickets, moved_on], settings=exact)
    assert need.visit_minutes == pytest.approx(210 / 9)  # its rover has arrived elsewhere: nobody knows when it ended


def stood(dispatch_inputs, tickets):
    known, frame, _, _ = dispatch_inputs(tickets)
    return waits(joined(known, frame), known.at)


def test_calls_are_answered_called_again_settled_or_open(day, dispatch_inputs):
    def call(name, before, **more):
        return day.ticket(name, opened_at=day.at - before * MINUTE, **more)

    tickets = [
        call("K1", 100),
        call("K2", 70, same_as="K1"),
        call("K3", 70, same_as="K1"),  # the same moment: one call, entered twice
        call("K4", 50, status="assigned", rover_id="R1", arrived_at=day.at - 30 * MINUTE),
        call("K5", 40, status="resolved", resolved_at=day.at - 15 * MINUTE),
        call("K6", 90, category="long-line"),  # nobody would be sent for it
    ]
    spells = stood(dispatch_inputs, tickets)
    assert (spells.ended, spells.cut, spells.running) == ([30, 20], [25], [70])


def test_a_day_on_which_nobody_is_reached_has_long_waits(day, dispatch_inputs):
    # 8 imagined waits of 90 min and one of 60; then nine more calls of 60 min that nobody answered, none forgotten
    reached = day.ticket(
        "K1", "S2", status="assigned", rover_id="R1", opened_at=day.at - 60 * MINUTE, arrived_at=day.at
    )
    waiting = [day.ticket(f"K{n}", "S3", "bmd", opened_at=day.at - 60 * MINUTE) for n in range(2, 11)]
    found = [mean_length(stood(dispatch_inputs, t), 8.0, 90.0, 0.0) for t in ([reached], [reached, *waiting])]
    assert found == pytest.approx([780 / 9, 1320 / 9])


def test_a_site_that_is_a_guess_weighs_less(day, dispatch_inputs):
    sure = needs_of(dispatch_inputs, [day.ticket("K1", site_confidence=1.0)])[0].chance
    assert needs_of(dispatch_inputs, [day.ticket("K1", site_confidence=0.4)])[0].chance == pytest.approx(0.4 * sure)


def test_an_old_entry_that_nobody_spoke_of_again_is_doubted(day, dispatch_inputs):
    # Bayes: q .7 and (1 − q) .3 leave or are heard of again at rate 1/90 min, 5 % are never closed; open and quiet for
    # 90·ln 20 min: .7/20 against 1/20 and .05·19/20
    old = day.ticket("K1", category="bmd", site_confidence=1.0, opened_at=day.at - 90 * math.log(20) * MINUTE)
    (need,) = needs_of(dispatch_inputs, [old])
    assert need.chance == pytest.approx(0.035 / (0.05 + 0.05 * 0.95), rel=1e-6)


def test_a_second_call_makes_an_old_entry_alive_again(day, dispatch_inputs):
    old = day.ticket("K1", category="bmd", site_confidence=1.0, opened_at=day.at - 400 * MINUTE)
    again = day.ticket("K2", category="bmd", site_confidence=1.0, same_as="K1", opened_at=day.at)
    assert needs_of(dispatch_inputs, [old])[0].chance < 0.3
    assert needs_of(dispatch_inputs, [old, again])[0].chance == pytest.approx(0.7)


def test_a_day_of_long_waits_doubts_old_entries_less(day, dispatch_inputs):
    visited = [
        day.ticket(f"K{n}", "S2", status="resolved", rover_id="R1", opened_at=day.at - 400 * MINUTE, arrived_at=day.at)
        for n in range(8)
    ]
    old = day.ticket("K9", category="bmd", opened_at=day.at - 200 * MINUTE)
    few = next(n for n in needs_of(dispatch_inputs, [old]))
    many = next(n for n in needs_of(dispatch_inputs, [*visited, old]) if n.ticket_ids == ("K9",))
    assert many.chance > few.chance + 0.05


def test_a_repeat_of_a_settled_ticket_has_a_stake_of_its_own(day, dispatch_inputs):
    settled = day.ticket("K1", status="resolved", opened_at=day.at - 60 * MINUTE, resolved_at=day.at - 30 * MINUTE)
    again = day.ticket("K2", same_as="K1", opened_at=day.at - 5 * MINUTE, voter_minutes_at_risk=0.0)
    (need,) = needs_of(dispatch_inputs, [settled, again])
    assert need.cost.growth > 0


def test_a_ticket_about_power_costs_what_power_itself_expects(day, dispatch_inputs):
    def off(unit_id, voter_minutes, minutes):
        return {"unit_id": unit_id, "site_id": "S2", "supply": "battery", "expected_voter_minutes": voter_minutes,
                "empty_at_mean": day.at + minutes * MINUTE, "chance_dark": 0.9}  # fmt: skip

    tickets = [day.ticket("K1", "S2", "power", voter_minutes_at_risk=0.0)]
    (need,) = needs_of(dispatch_inputs, tickets, power=[off("U1", 120.0, 30), off("U2", 30.0, 90)])
    growing = Cost(0.0, need.cost.growth, need.cost.delay, need.cost.cap)
    assert growing(need.age + 29) == growing(need.age) == 0  # the first battery still holds
    whole = growing(need.age + 240) - growing(need.age)  # dispatch.unvisited_minutes
    assert whole == pytest.approx(150) and need.cost.level == 2 and need.cost.clearing == 1
    assert needs_of(dispatch_inputs, tickets)[0].cost.growth == 0  # mains are on, as far as power knows
