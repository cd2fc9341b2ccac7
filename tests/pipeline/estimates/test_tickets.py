"""Voter-minutes at risk of tickets."""

from types import SimpleNamespace

import pytest

from pipeline.estimates.tickets import cost, tickets

HOUR = 60.0
LOAD = {
    "is_open": True,
    "checkin_waiting": 6.0,
    "scanner_waiting": 4.0,
    "arrivals_per_minute": 0.5,
    "remaining_voters_low": 100.0,
    "remaining_voters_mean": 120.0,
    "remaining_voters_high": 140.0,
    "minutes_to_close": 300.0,
}


def row(**more) -> dict:
    usual = {
        "ticket_id": "K1", "site_id": "S1", "site_confidence": 0.99, "category": "scanner-down",
        "categories": ["scanner-down"], "category_confidence": 0.9, "severity": 1, "is_no_line": False, "decided_by": "x",
    }  # fmt: skip
    return usual | more


def risk(gear: SimpleNamespace, status: str = "open", load: dict | None = None, **more) -> float:
    ticket = {"ticket_id": "K1", "opened_at": gear.ago(5), "site": "S1", "text": "x", "status": status}
    known = gear.known(
        tickets=[ticket | {"received_at": gear.at, "content_hash": "0"}], units=[gear.unit("SC-1", "S1")]
    )
    loads = gear.loads([{"site_id": "S1"} | LOAD | (load or {})])
    return tickets(known, gear.readings([row(**more)]), loads)["voter_minutes_at_risk"].item()


def test_a_stopped_scanner_costs_the_area_under_a_fluid_queue():
    # Q0*H + lambda*H^2/2 with Q0 = 4, lambda = 0.5/min, H = 60 min: 240 + 900 voter-minutes, by hand
    assert cost("scanner-down", 1.0, {"site_id": "S1"} | LOAD, HOUR) == pytest.approx(4 * 60 + 0.5 * 60**2 / 2)


def test_arrivals_stop_at_closing():
    # 30 min of arrivals, each then waiting to the hour's end: 0.5 * (30*60 - 30^2/2) = 675 voter-minutes, by hand
    soon = {"site_id": "S1"} | LOAD | {"minutes_to_close": 30.0}
    assert cost("scanner-down", 1.0, soon, HOUR) == pytest.approx(4 * 60 + 675)


def test_a_resolved_or_repeated_ticket_and_a_closed_place_risk_nothing(gear):
    assert risk(gear) > 0
    assert risk(gear, status="resolved") == 0
    assert risk(gear, same_as="K0") == 0
    assert risk(gear, load={"is_open": False}) == 0
    assert risk(gear, site_id=None) == 0


def test_a_question_risks_less_than_a_jam_and_a_jam_less_than_a_stop(gear):
    assert risk(gear, category="procedure", severity=4) < risk(gear, category="scanner-jam") < risk(gear)


def test_the_emergency_compartment_halves_the_cost_of_the_only_scanner(gear):
    assert risk(gear, severity=2) == pytest.approx(risk(gear, severity=1) / 2)


def test_no_tickets_give_no_rows(gear):
    assert tickets(gear.known(), gear.readings(), gear.loads()).is_empty()
