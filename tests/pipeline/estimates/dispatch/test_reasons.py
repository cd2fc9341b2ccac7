"""What a proposed stop says of itself: why there, what waits instead, and the usual cautions."""

from datetime import timedelta

from pipeline.estimates.dispatch.cautions import CAUTIONS, caution_for
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.skills import SKILLS

MINUTE = timedelta(minutes=1)


def test_the_reason_says_what_since_when_and_who_else(day, dispatch_inputs):
    frame = dispatch(*dispatch_inputs([day.ticket("K1", "S2")]))
    why = frame["why"][0]
    assert "Scanner stopped since 11:50 (K1)" in why  # 17:50 UTC in Chicago
    assert "about 2 people in line" in why
    assert "The next best, R2, would be 22 min later: about" in why


def test_the_reason_names_what_waits_instead(day, dispatch_inputs):
    tickets = [day.ticket("K1", "S2", voter_minutes_at_risk=6000.0), day.ticket("K2", "S3", "tape-printer")]
    frame = dispatch(*dispatch_inputs(tickets, rovers=[day.rover("R1")]))
    assert "Meanwhile S3 Grange Hall (report printer) waits until about 13:" in frame["why"][0]


def test_a_later_rover_that_costs_nothing_more_is_said_to_be_later_and_no_more(day, dispatch_inputs):
    ticket = day.ticket("K1", "S1", "tape-printer", severity=4, voter_minutes_at_risk=0.0)  # stops no line
    settings = {"dispatch.least_people_4": 0.05}  # 7 min more of 0.05 people
    why = dispatch(*dispatch_inputs([ticket], rovers=[day.rover("R1"), day.rover("R2", 0.025)], settings=settings))[
        "why"
    ][0]
    assert why.endswith("The next best, R2, would be 7 min later.")


def test_cautions_name_what_the_agencies_ask_for():
    # CPSC: generators outdoors, 20 ft away; OSHA: 10 ft from overhead lines; NFPA: damaged lithium-ion cells
    power = caution_for(["power"])
    assert "at least 20 ft" in power and "CPSC" in power
    assert "at least 10 ft" in power and "OSHA" in power
    assert "swollen" in power and "NFPA" in power and "call 911" in power
    assert "two people" in caution_for(["scanner-jam"])
    assert "call 911" in caution_for(["safety"]) and "election official" in caution_for(["safety"])
    assert "election official" in caution_for(["conduct"]) and "no technician" not in caution_for(["bmd"])
    assert "the county's counsel, never to a technician" in caution_for(["procedure"])
    assert caution_for(["staffing"]) is None
    assert set(SKILLS) <= set(CAUTIONS)
