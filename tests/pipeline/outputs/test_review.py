import dataclasses
import re
from datetime import timedelta

import pytest

from pipeline.contracts import estimates, events
from pipeline.outputs.drawings import bars
from pipeline.outputs.review import review
from pipeline.outputs.review_voting import ticket_times

MINUTE = timedelta(minutes=1)


def said(page):
    """A page's text without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<style>.*?</style>", "", page)))


@pytest.fixture
def inputs(day, dispatch_inputs):
    opens = day.at - timedelta(hours=5)
    tickets = [
        day.ticket(
            f"K{n}", "S1", "poll-book", status="resolved", rover_id="R1", opened_at=day.at - 100 * MINUTE,
            assigned_at=day.at - (100 - n) * MINUTE, arrived_at=day.at - (80 - n) * MINUTE,
            resolved_at=day.at - (60 - n) * MINUTE,
        )
        for n in (2, 4, 9)
    ]  # fmt: skip
    tickets += [day.ticket("K20", "S2", "bmd", same_as="K2")]
    known, *frames = dispatch_inputs(tickets, units=[{"unit_id": "U1", "site_id": "S1", "type": "scan-single"}])
    more = {
        "milestones": day.filled(
            events.MilestoneRows,
            [
                {"site_id": "S1", "milestone": "open", "at": opens},
                {"site_id": "S2", "milestone": "open", "at": opens + 21 * MINUTE},
            ],
        ),
        "status": day.filled(
            events.StatusRows,
            [
                {"unit_id": "U1", "at": day.at, "occurred_at": day.at, "sequence": n, "ballots_counted": count}
                for n, count in enumerate((10, 431, 430))
            ],
        ),
        "outages": day.filled(
            events.OutageRows,
            [
                {
                    "outage_id": "O1",
                    "circuit": "C1",
                    "started_at": day.at - 45 * MINUTE,
                    "restored_at": day.at - 5 * MINUTE,
                }
            ],
        ),
        "line_counts": day.filled(
            events.LineCountRows, [{"site_id": "S2", "at": day.at, "checkin_line": 37.0, "scanner_line": 1.0}]
        ),
    }
    return dataclasses.replace(known, **more), *frames


@pytest.fixture
def rich(day, inputs, answers_of):
    line = {
        "site_id": "S2", "line": "checkin", "at": day.at, "waiting_mean": 30.0, "waiting_median": 29.0,
        "waiting_low": 20.0, "waiting_high": 44.0, "wait_minutes_mean": 18.0, "wait_minutes_median": 17.0,
        "wait_minutes_low": 11.0, "wait_minutes_high": 31.0, "chance_over_30": 0.06, "basis": "count",
    }  # fmt: skip
    repeat = {
        "unit_id": "U1", "site_id": "S1", "rank": 1, "faults": 6, "exposure_hours": 5.0, "expected_faults": 1.3,
        "rate_ratio_mean": 3.9, "rate_ratio_low": 1.8, "rate_ratio_high": 6.6, "chance_over_3": 0.7, "q_value": 0.01,
        "standing": "confirmed",
    }  # fmt: skip
    step = {
        "site_id": "S1",
        "milestone": "media-received",
        "standing": "overdue",
        "due_at": day.at,
        "note": "no second name",
    }
    counts = {
        "site_id": "S1", "checked_in": 400, "accounted_for": 388, "difference": 12, "standing": "differs",
        "likely_cause": "left", "explanation": "twelve people left",
    }  # fmt: skip
    return answers_of(
        inputs,
        lines=day.filled(estimates.Lines, [line]),
        repeats=day.filled(estimates.Repeats, [repeat]),
        milestones=day.filled(estimates.Milestones, [step]),
        reconciliation=day.filled(estimates.Reconciliation, [counts]),
    )


INTAKE = {"accepted": 1200, "already_known": 30, "superseded": 4, "quarantined": 2}


@pytest.mark.parametrize(
    "sentence",
    [
        "1 of 3 sites opened on time, within 5 min; 1 later, 1 not reported",
        "S2 Grange Hall 07:00 07:21 21 min",
        "431 ballots counted, by the reports of 1 scanners",
        "4 tickets, 1 not resolved",
        "S2 Grange Hall check-in 29 (20 to 44) 17 (11 to 31) 6 %",  # the medians, as on the board
        "S2 Grange Hall 37 1 12:00",
        # medians of 2, 4, 9 · 22, 24, 29 · 42, 44, 49 minutes
        "poll-book 3 0 0 4 min (n 3) 24 min (n 3) 44 min (n 3)",
        "bmd 1 1 1 – – –",
        "C1 0 11:15 11:55 40 min",
        "U1 S1 Grange Hall confirmed 6 1.3 3.9 (1.8 to 6.6)",
        "S1 Grange Hall media received 12:00 – overdue no second name",
        "S1 Grange Hall 400 388 12 differs twelve people left",
        "already known 30",
        "Unofficial.",
        "as known at Tuesday 3 November 2026, 12:00 CST",
        "Every assumption stands at its default.",
    ],
)
def test_the_review_says(inputs, rich, sentence):
    assert sentence in said(review(inputs[0], rich, INTAKE))


def test_the_review_is_complete_in_itself_and_holds_no_votes(inputs, rich):
    page = review(inputs[0], rich, INTAKE)
    assert "http" not in page and "<script" not in page and "src=" not in page and "url(" not in page
    assert "this tool never holds votes" in page


def test_only_counts_that_differ_are_listed_and_how_many_agree_is_said(day, inputs, answers_of):
    same = {"checked_in": 400, "accounted_for": 400, "difference": 0, "standing": "agrees", "explanation": "agrees"}
    odd = same | {"accounted_for": 388, "difference": 12, "standing": "differs", "explanation": "twelve people left"}
    rows = [odd | {"site_id": "S1"}, same | {"site_id": "S2"}]
    page = said(
        review(inputs[0], answers_of(inputs, reconciliation=day.filled(estimates.Reconciliation, rows)), INTAKE)
    )
    told = page[page.index("Reconciliation") :]
    assert "At 1 of 2 sites that reported nothing differs" in told
    assert "S1 Grange Hall 400 388 12" in told and "S2 Grange Hall 400 400" not in told


def test_a_day_without_anything_has_a_review_that_says_so(dispatch_inputs, answers_of):
    inputs = dispatch_inputs(rovers=[], sites=[])
    text = said(review(inputs[0], answers_of(inputs), {}))
    for empty in (
        "No scanner has reported a count.",
        "No line is open at this time",
        "No head count was received.",
        "No ticket was received.",
        "The utility listed none.",
        "No unit is believed to be off mains.",
        "No site has reported its counts.",
        "Nothing is known about the intake.",
    ):
        assert empty in text


def test_intake_by_kind_is_a_table_of_kinds(inputs, rich):
    text = said(review(inputs[0], rich, {"tickets": {"accepted": 5, "quarantined": 1}, "status": {"accepted": 9}}))
    assert "Kind accepted quarantined status 9 0 tickets 5 1" in text


def test_an_assumption_that_the_county_changed_is_listed(day, dispatch_inputs, answers_of):
    inputs = dispatch_inputs(settings={"dispatch.speed_kmh": 55.0})
    assert "dispatch.speed_kmh 55 km/h 40" in said(review(inputs[0], answers_of(inputs), {}))


def test_a_ticket_that_nobody_answered_keeps_its_null(inputs):
    frame = ticket_times(inputs[0], inputs[1]).sort("ticket_id")
    assert frame.filter(frame["ticket_id"] == "K20")["assigned_minutes"].to_list() == [None]


def test_names_are_escaped(day, dispatch_inputs, answers_of):
    inputs = dispatch_inputs(sites=[day.site("S1", name="<b>Hall</b> & Co")])
    assert "&lt;b&gt;Hall&lt;/b&gt; &amp; Co" in review(inputs[0], answers_of(inputs), {})


def test_bars_are_as_high_as_their_counts():
    drawing = bars(["07", "08", "09"], [1, 4, 2], "Tickets <by> hour", "tickets")
    heights = [float(h) for h in re.findall(r'<rect [^>]*height="([\d.]+)"', drawing)]
    assert heights[1] == pytest.approx(4 * heights[0], abs=0.2) and heights[1] == pytest.approx(2 * heights[2], abs=0.2)
    assert 'aria-label="Tickets &lt;by&gt; hour"' in drawing


def test_bars_of_nothing_are_flat():
    assert 'height="0.0"' in bars(["07"], [0], "none", "tickets")
