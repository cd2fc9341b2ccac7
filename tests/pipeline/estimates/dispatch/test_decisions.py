"""What people decide binds the next plan, from its receipt on, until it is taken back."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from pipeline import run
from pipeline.contracts import events
from pipeline.contracts.known import Known
from pipeline.contracts.words import DECISIONS
from pipeline.estimates import Answers
from pipeline.estimates.dispatch.decisions import decisions
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.store import read
from pipeline.store.book import open_book

MINUTE = timedelta(minutes=1)


@pytest.fixture
def decided(day, dispatch_inputs):
    """The inputs of a dispatch with entries: (action, target, values[, withdraws])."""

    def build(tickets, entries, **more):
        known, *frames = dispatch_inputs(tickets, **more)
        rows = [
            {
                "entry_id": f"E{n}",
                "at": day.at - (20 - n) * MINUTE,
                "received_at": day.at - (20 - n) * MINUTE,
                "by": "p-01",
                "action": action,
                "target": target,
                "values": json.dumps(values) if isinstance(values, dict) else values,
                "withdraws": rest[0] if rest else None,
            }
            for n, (action, target, values, *rest) in enumerate(entries)
        ]
        own = vars(known) | {"entries": day.filled(events.EntryRows, rows)}
        return Known(**own), *frames

    return build


def stops(inputs):
    return [(r["rover_id"], r["site_id"], r["decision"]) for r in dispatch(*inputs).to_dicts()]


def two(day):
    return [
        day.ticket("K1", "S1", voter_minutes_at_risk=6000.0),
        day.ticket("K2", "S3", "bmd", voter_minutes_at_risk=60.0),
    ]


def test_without_a_decision_the_larger_stake_goes_first(day, decided):
    assert stops(decided(two(day), [], rovers=[day.rover("R1")])) == [("R1", "S1", None), ("R1", "S3", None)]


def test_a_pinned_stop_comes_next_whatever_it_saves(day, decided):
    entries = [("stop-pinned", "R1", {"site_id": "S3"})]
    inputs = decided(two(day), entries, rovers=[day.rover("R1")])
    assert stops(inputs) == [("R1", "S3", "pinned"), ("R1", "S1", None)]
    assert "the dispatcher wants it there next (entered 11:40)" in dispatch(*inputs)["why"][0]


def test_a_pin_turns_a_rover_off_its_way(day, decided):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 3 * MINUTE)
    entries = [("stop-pinned", "R1", {"site_id": "S3"})]
    assert [s[1] for s in stops(decided([sent, two(day)[1]], entries, rovers=[day.rover("R1")]))] == ["S3", "S2"]


def test_a_rover_is_sent_where_a_person_wants_it_without_a_ticket_until_it_has_been_there(day, decided):
    entries = [("stop-pinned", "R1", {"site_id": "S2"})]
    assert stops(decided([], entries)) == [("R1", "S2", "pinned")]
    been = day.ticket("K1", "S2", status="resolved", rover_id="R1", arrived_at=day.at - 2 * MINUTE)
    assert stops(decided([been], entries)) == []


def test_an_accepted_stop_stays_with_its_rover(day, decided):
    # R2 is far off: nobody would send it
    entries = [("stop-accepted", "R2", {"site_id": "S1"})]
    assert ("R2", "S1", "accepted") in stops(decided(two(day), entries))


def test_a_rover_whose_accepted_stop_is_overdue_sets_out_from_there(day, decided):
    # Accepted 20 min ago, 12.84 min away: it should be at S2, 34.51 min from S3; from where it began it would be 23.68
    entries = [("stop-accepted", "R1", {"site_id": "S2"}), ("stop-pinned", "R1", {"site_id": "S3"})]
    tickets = [day.ticket("K1", "S2"), day.ticket("K2", "S3")]
    frame = dispatch(*decided(tickets, entries, rovers=[day.rover("R1")]))
    assert frame["site_id"].to_list() == ["S3", "S2"]
    assert (frame["arrive_at"][0] - frame["leave_at"][0]).total_seconds() / 60 == pytest.approx(34.51, abs=0.05)


@pytest.mark.parametrize(("ago", "left"), [(40, 0.0), (21, 23.68 - 21)])
def test_a_stop_pinned_later_is_driven_to_from_as_far_as_a_rover_has_come(day, decided, ago, left):
    # S3 is 11.12 km south of where R1 began, S2 5.56 km north: 1.3 / 40 km/h, and 2 min; the pin is 20 min old
    sent = day.ticket("K1", "S3", status="assigned", rover_id="R1", assigned_at=day.at - ago * MINUTE)
    entries = [("stop-pinned", "R1", {"site_id": "S2"})]
    frame = dispatch(*decided([sent, day.ticket("K2", "S2")], entries, rovers=[day.rover("R1")]))
    assert frame["site_id"].to_list() == ["S2", "S3"]
    drive = (frame["arrive_at"][0] - frame["leave_at"][0]).total_seconds() / 60
    assert drive == pytest.approx((5.56 + (1 - left / 23.68) * 11.12) * 1.3 * 60 / 40 + 2, abs=0.1)


def test_a_forbidden_stop_goes_to_another_rover(day, decided):
    entries = [("stop-forbidden", "R1", {"site_id": "S1"})]
    assert ("R2", "S1", None) in stops(decided(two(day), entries))
    everybody = [("stop-forbidden", "*", {"site_id": "S1"})]
    assert "S1" not in [s[1] for s in stops(decided(two(day), everybody))]


def test_forbidding_takes_a_stop_from_the_rover_that_the_hotline_gave_it_to(day, decided):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 30 * MINUTE)
    assert stops(decided([sent], [("stop-forbidden", "R1", {"site_id": "S2"})])) == [("R2", "S2", None)]


def test_a_stop_is_handed_over(day, decided):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 30 * MINUTE)
    entries = [("stop-handed-over", "R1", {"site_id": "S2", "to": "R2"})]
    assert stops(decided([sent], entries)) == [("R2", "S2", "accepted")]


def test_what_the_hotline_says_later_wins(day, decided):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - MINUTE)
    assert stops(decided([sent], [("stop-accepted", "R2", {"site_id": "S2"})])) == [("R1", "S2", None)]


def test_an_unavailable_rover_gets_nothing_and_its_stops_are_anybodys(day, decided):
    sent = day.ticket("K1", "S2", status="assigned", rover_id="R1", assigned_at=day.at - 3 * MINUTE)
    away = ("rover-unavailable", "R1", {})
    assert stops(decided([sent], [away])) == [("R2", "S2", None)]
    assert stops(decided([sent], [away, ("rover-available", "R1", {})])) == [("R1", "S2", None)]


def test_a_rover_is_free_again_from_the_time_told(day, decided):
    until = (day.at + 15 * MINUTE).isoformat()
    inputs = decided(two(day), [("rover-unavailable", "R1", {"until": until})], rovers=[day.rover("R1")])
    assert dispatch(*inputs)["leave_at"][0] == day.at + 15 * MINUTE


def test_nobody_is_sent_into_danger_until_a_person_marks_it_cleared(day, decided):
    tickets = [two(day)[0], day.ticket("K9", "S1", "safety", opened_at=day.at - 40 * MINUTE)]
    pin = ("stop-pinned", "R1", {"site_id": "S1"})
    cleared = ("danger-cleared", "S1", {})
    assert stops(decided(tickets, [])) == []
    assert stops(decided(tickets, [pin])) == []
    assert stops(decided(tickets, [cleared])) == [("R1", "S1", None)]


def test_a_call_after_the_clearing_is_danger_again(day, decided):
    tickets = [two(day)[0], day.ticket("K9", "S1", "safety", opened_at=day.at - MINUTE)]
    assert stops(decided(tickets, [("danger-cleared", "S1", {})])) == []


def test_two_rovers_meet_where_two_are_needed(day, decided):
    inputs = decided([two(day)[0]], [("two-needed", "S1", {})])
    frame = dispatch(*inputs)
    assert frame.select("rover_id", "site_id", "partner").rows() == [("R1", "S1", "R2"), ("R2", "S1", "R1")]
    # what the stop saves counts once, and by when both are there
    saved = frame["voter_minutes_saved"].to_list()
    assert saved[0] > 0 and saved[1] == 0
    alone = dispatch(*decided([two(day)[0]], []))["voter_minutes_saved"][0]
    assert saved[0] < alone


def test_a_second_rover_comes_to_one_that_is_at_work(day, decided):
    at_work = day.ticket("K1", "S1", status="assigned", rover_id="R1", arrived_at=day.at - 15 * MINUTE)
    inputs = decided([at_work], [("two-needed", "S1", {})])
    assert stops(inputs) == [("R2", "S1", None)]
    assert "R1 needs a second person there" in dispatch(*inputs)["why"][0]


@pytest.mark.parametrize(
    ("action", "target", "values"),
    [
        ("stop-pinned", "R1", {"site_id": "S3"}),
        ("stop-accepted", "R2", {"site_id": "S1"}),
        ("stop-forbidden", "R1", {"site_id": "S1"}),
        ("stop-handed-over", "R1", {"site_id": "S1", "to": "R2"}),
        ("rover-unavailable", "R1", {}),
        ("two-needed", "S1", {}),
    ],
)
def test_a_decision_taken_back_binds_no_longer(day, decided, action, target, values):
    plain = dispatch(*decided(two(day), []))
    bound = dispatch(*decided(two(day), [(action, target, values)]))
    assert not plain.equals(bound)
    assert dispatch(*decided(two(day), [(action, target, values), (action, target, values, "E0")])).equals(plain)


@pytest.mark.parametrize(
    ("action", "target", "values", "note"),
    [
        ("stop-pinned", "R9", {"site_id": "S1"}, "no rover 'R9' in the roster"),
        ("stop-pinned", "R1", {"site_id": "S9"}, "no site 'S9' in the roster"),
        ("stop-accepted", "R1", "not JSON", "no site None in the roster"),
        ("stop-handed-over", "R1", {"site_id": "S1"}, "no rover None in the roster"),
        ("danger-cleared", None, {}, "no site None in the roster"),
        ("rover-unavailable", None, None, "no rover None in the roster"),
    ],
)
def test_what_cannot_be_followed_decides_nothing_and_is_told(day, decided, action, target, values, note):
    inputs = decided(two(day), [(action, target, values)])
    assert note in decisions(inputs[0]).notes[0]
    assert dispatch(*inputs).equals(dispatch(*decided(two(day), [])))


def test_every_decision_is_understood(day, decided):
    for action, (about, _) in DECISIONS.items():
        target = "S1" if about == "the site" else "R1"
        inputs = decided(two(day), [(action, target, {"site_id": "S1", "to": "R2"})])
        assert decisions(inputs[0]).notes == []
        dispatch(*inputs)


def test_order_of_entries_does_not_matter(day, decided):
    entries = [("stop-pinned", "R1", {"site_id": "S3"}), ("stop-forbidden", "R1", {"site_id": "S3"})]
    known, *frames = decided(two(day), entries)
    turned = Known(**(vars(known) | {"entries": known.entries.reverse()}))
    assert dispatch(known, *frames).equals(dispatch(turned, *frames))
    assert decisions(known).given == {}


def test_a_plan_as_of_an_earlier_time_does_not_know_a_later_decision(write_day, tmp_path, now):
    rover = "R2,41.9,-93.9,scanner;bmd,roller:2,06:00,22:00\n"
    entry = {
        "entry_id": "E1", "at": "2026-11-03T09:40:00-06:00", "by": "Alva Trennick", "action": "stop-accepted",
        "target": "R2", "values": json.dumps({"site_id": "P01"}),
    }  # fmt: skip
    back = entry | {"entry_id": "E2", "at": "2026-11-03T09:50:00-06:00", "withdraws": "E1"}
    write_day(folder="day")
    day = tmp_path / "day"
    (day / "rovers.csv").write_text((day / "rovers.csv").read_text() + rover)
    for name, row in (("entries-0940.jsonl", entry), ("entries-0950.jsonl", back)):
        (day / name).write_text(json.dumps(row) + "\n")
    with (day / "received.csv").open("a") as received:
        received.write("entries-0940.jsonl,2026-11-03T09:40:00-06:00\nentries-0950.jsonl,2026-11-03T09:50:00-06:00\n")
    run.take([day], tmp_path / "book", now)
    with read.Snapshot(open_book(tmp_path / "book").published) as snapshot:
        rows = read.read_rows(snapshot.con)

    def who(minute):
        plan = Answers(read.known_at(rows, datetime(2026, 11, 3, 15, minute, tzinfo=UTC))).answer("dispatch")
        return dict(plan.select("site_id", "rover_id").iter_rows())["P01"]

    assert [who(35), who(45), who(55)] == ["R1", "R2", "R1"]
