"""Opening, closing and custody: due when, done, overdue, out of order."""

from datetime import UTC, datetime, timedelta

import pytest

from pipeline.contracts import estimates, words
from pipeline.contracts.known import MilestoneRule
from pipeline.estimates.steps import milestones

OPENS, CLOSES = datetime(2026, 11, 3, 13, tzinfo=UTC), datetime(2026, 11, 4, 1, tzinfo=UTC)


def step(milestone, at, site_id="S1", **more):
    return {"site_id": site_id, "milestone": milestone, "at": at} | more


def answer(gear, day, at, steps=(), **more):
    known = gear.known(at=at, milestones=list(steps), sites=more.pop("sites", [day.site("S1")]), **more)
    frame = milestones.milestones(known)
    estimates.Milestones.validate(frame)
    return {(r["site_id"], r["milestone"]): r for r in frame.iter_rows(named=True)}


def after(minutes, start=CLOSES):
    return start + timedelta(minutes=minutes)


@pytest.mark.parametrize(
    ("minutes", "standing"), [(-30, "not-due"), (0, "due"), (10, "due"), (15, "due"), (16, "overdue"), (200, "overdue")]
)
def test_open_is_due_at_opening_and_overdue_after_the_grace(gear, day, minutes, standing):
    row = answer(gear, day, after(minutes, OPENS))[("S1", "open")]
    assert (row["due_at"], row["standing"]) == (OPENS, standing)


def test_a_reported_step_is_done_whenever_it_came(gear, day):
    rows = answer(gear, day, after(300, OPENS), [step("open", after(40, OPENS))])
    assert (rows[("S1", "open")]["standing"], rows[("S1", "open")]["at"]) == ("done", after(40, OPENS))


def test_the_steps_that_apply_come_in_the_order_of_the_day(gear, day):
    rows = [name for _, name in answer(gear, day, OPENS)]
    assert rows == [name for name in words.MILESTONES if name in rows]
    assert "suspended" not in rows
    assert "ballots-sealed" not in rows
    assert "media-received" in rows


def test_a_step_that_came_again_shows_its_newest_time_and_an_opening_its_first(gear, day):
    steps = [("open", 0), ("suspended", 30), ("resumed", 50), ("suspended", 70), ("open", 80)]
    rows = answer(gear, day, after(90, OPENS), [step(name, after(late, OPENS)) for name, late in steps])
    assert rows[("S1", "suspended")]["at"] == after(70, OPENS)
    assert rows[("S1", "open")]["at"] == OPENS


def test_suspended_has_a_row_only_when_reported(gear, day):
    rows = answer(
        gear, day, after(60, OPENS), [step("suspended", after(30, OPENS))], sites=[day.site("S1"), day.site("S2")]
    )
    assert rows[("S1", "suspended")]["standing"] == "done"
    assert ("S2", "suspended") not in rows


def test_once_one_site_reports_sealed_ballots_all_are_expected_to(gear, day):
    sites = [day.site("S1"), day.site("S2")]
    rows = answer(gear, day, after(300), [step("ballots-sealed", after(90))], sites=sites)
    assert rows[("S2", "ballots-sealed")]["standing"] == "overdue"
    off = {"ballots-sealed": MilestoneRule("ballots-sealed", False, "closes+90", 15)}
    rows = answer(gear, day, after(300), [step("ballots-sealed", after(90))], sites=sites, rules=off)
    assert ("S2", "ballots-sealed") not in rows


def test_a_step_that_the_county_does_not_use_never_shows(gear, day):
    rules = {"transmitted": MilestoneRule("transmitted", False, "closes+60", 15)}
    assert ("S1", "transmitted") not in answer(gear, day, after(600), rules=rules)


@pytest.mark.parametrize(
    ("due", "expected"),
    [
        ("opens-30", OPENS - timedelta(minutes=30)),
        ("closes+60", CLOSES + timedelta(minutes=60)),
        ("closes", CLOSES),
        ("21:30", datetime(2026, 11, 4, 3, 30, tzinfo=UTC)),
        ("00:45", datetime(2026, 11, 4, 6, 45, tzinfo=UTC)),  # after midnight: the next day, Chicago is UTC-6
    ],
)
def test_the_countys_own_due_time(gear, day, due, expected):
    rules = {"media-received": MilestoneRule("media-received", True, due, 0)}
    assert answer(gear, day, OPENS, rules=rules)[("S1", "media-received")]["due_at"] == expected


def test_an_early_local_time_is_the_morning_of_the_day_for_an_opening_step(gear, day):
    rules = {"arrived": MilestoneRule("arrived", True, "05:30", 0)}
    due = answer(gear, day, OPENS, rules=rules)[("S1", "arrived")]["due_at"]
    assert due == datetime(2026, 11, 3, 11, 30, tzinfo=UTC)


@pytest.mark.parametrize("due", ["noon", "25:00", "opens*3", ""])
def test_a_due_time_that_is_none_says_so_and_is_never_overdue(gear, day, due):
    rules = {"closed": MilestoneRule("closed", True, due, 0)}
    row = answer(gear, day, after(600), rules=rules)[("S1", "closed")]
    assert (row["due_at"], row["standing"]) == (None, "not-due")
    assert "write opens-30" in row["note"]


def test_a_step_reported_while_the_one_before_is_missing(gear, day):
    rows = answer(gear, day, after(120), [step("media-handed-over", after(100))])
    assert "though media-handed-over" in rows[("S1", "media-sealed")]["note"]


def test_handed_over_and_not_received_is_a_gap_with_its_age(gear, day):
    steps = [step("media-sealed", after(60)), step("media-handed-over", after(80))]
    assert answer(gear, day, after(120), steps)[("S1", "media-received")]["note"] is None
    note = answer(gear, day, after(200), steps)[("S1", "media-received")]["note"]
    assert note == "Handed over 2 h ago, not received."


def test_a_seal_that_differs_from_the_one_put_on(gear, day):
    steps = [step("media-sealed", after(60), seal_out="7001"), step("media-handed-over", after(80), seal_in="7002")]
    note = answer(gear, day, after(90), steps)[("S1", "media-handed-over")]["note"]
    assert "Seal 7002 found where 7001 was on it" in note
    steps[1]["seal_in"] = "7001"
    assert answer(gear, day, after(90), steps)[("S1", "media-handed-over")]["note"] is None


def test_a_seal_is_followed_through_a_step_that_puts_none_on(gear, day):
    steps = [step("media-sealed", after(60), seal_out="7001"), step("media-handed-over", after(80), seal_in="7001")]
    steps.append(step("media-received", after(100), seal_in="7010"))
    note = answer(gear, day, after(110), steps)[("S1", "media-received")]["note"]
    assert note == "Seal 7010 found where 7001 was on it at media-handed-over."


def test_received_from_another_hand_than_it_was_given_to(gear, day):
    steps = [step("media-handed-over", after(80), to="p-1"), step("media-received", after(100), **{"from": "p-2"})]
    assert "another hand" in answer(gear, day, after(110), steps)[("S1", "media-received")]["note"]


def test_items_are_followed_each_on_its_own(gear, day):
    steps = [
        step("media-handed-over", after(80), item="main card"),
        step("media-handed-over", after(80), item="backup card"),
    ]
    steps.append(step("media-received", after(100), item="main card"))
    note = answer(gear, day, after(300), steps)[("S1", "media-received")]["note"]
    assert note.startswith("backup card handed over 4 h ago")


def test_a_results_report_before_the_last_voter_is_out_of_order(gear, day):
    steps = [step("results-tape", after(10)), step("last-voter", after(25))]
    assert "before the last voter" in answer(gear, day, after(60), steps)[("S1", "results-tape")]["note"]


def test_the_order_of_rows_does_not_matter_and_no_sites_give_none(gear, day):
    steps = [step("media-handed-over", after(80), item=f"card {i}", to=f"p-{i}") for i in range(5)]
    sites = [day.site("S1"), day.site("S2")]
    one = answer(gear, day, after(300), steps, sites=sites)
    assert one == answer(gear, day, after(300), steps[::-1], sites=sites[::-1])
    assert answer(gear, day, OPENS, sites=[]) == {}


def advised(gear, day, at, steps=(), **more):
    rows = answer(gear, day, at, steps, **more)
    assert {name for (_, name), row in rows.items() if row["advice"]} <= {"transmitted"}
    return rows[("S1", "transmitted")]


def test_results_due_by_line_have_no_advice_before_they_are_due_or_once_they_came(gear, day):
    due = advised(gear, day, CLOSES)["due_at"]
    assert advised(gear, day, due - timedelta(minutes=1))["advice"] is None
    assert advised(gear, day, after(200), [step("transmitted", after(90))])["advice"] is None


def test_results_that_do_not_come_by_line_are_carried_by_two_people(gear, day):
    row = advised(gear, day, after(200), [step("results-tape", after(30))])
    assert row["standing"] == "overdue"
    for word in ("another line", "two people", "sealed", "county's procedure", "unofficial"):
        assert word in row["advice"]


def test_once_the_media_are_received_the_advice_says_when_in_the_county_s_time(gear, day):
    row = advised(gear, day, after(200), [step("media-received", after(95))])
    assert row["standing"] == "overdue"  # nobody has reported that results came by line
    assert "received at 20:35" in row["advice"]  # closes at 19:00, Chicago is UTC-6
    assert "carry" not in row["advice"]


def test_a_site_with_extended_hours_is_told_whose_ballots_to_keep_apart_from_the_usual_closing_on(gear, day):
    # Help America Vote Act of 2002, section 302(c), from memory: who votes by an order that extends the hours votes a
    # provisional ballot, held apart from those of others.
    sites = [day.site("S1"), day.site("S2"), day.site("S3", closes_at=after(120))]

    def told(at, steps=()):
        rows = answer(gear, day, at, steps, sites=sites)
        return {site for (site, name), row in rows.items() if name == "closed" and row["advice"]}

    assert told(after(-1)) == set()
    assert told(after(30)) == {"S3"}
    assert told(after(130), [step("closed", after(125), "S3")]) == set()
    advice = answer(gear, day, after(30), sites=sites)[("S3", "closed")]["advice"]
    for word in ("order", "provisional", "apart", "counsel", "nobody is turned away"):
        assert word in advice


TWO = {"from": "p-1", "to": "p-2", "witness": "p-3"}


@pytest.mark.parametrize(
    ("sealed", "said"),
    [
        ({"witness": "p-2", "reported_by": "p-1"}, None),
        ({"reported_by": "p-1"}, "Sealed with fewer than two people named (card)."),
        ({"reported_by": "p-1", "witness": "p-1"}, "Sealed with fewer than two people named (card)."),
    ],
)
def test_a_sealing_that_names_one_person_is_a_gap_where_two_are_named_elsewhere(gear, day, sealed, said):
    steps = [
        step("media-sealed", after(60), item="card", **sealed),
        step("media-handed-over", after(70), item="card", **TWO),
    ]
    assert answer(gear, day, after(80), steps)[("S1", "media-sealed")]["note"] == said


def test_where_no_step_names_a_second_person_one_is_no_gap(gear, day):
    steps = [step("media-sealed", after(60), reported_by="p-1")]
    assert answer(gear, day, after(80), steps)[("S1", "media-sealed")]["note"] is None
