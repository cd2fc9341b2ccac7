"""What people enter by hand becomes rows of the feeds, with receipts; what is taken back stops counting."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import run
from pipeline.contracts.known import Known
from pipeline.normalise import entered
from pipeline.store import mend, read
from pipeline.store.book import open_book
from pipeline.store.log import verify
from pipeline.store.quarantine import quarantine_at

NOW = datetime(2026, 11, 3, 16, tzinfo=UTC)
COUNTY = 'name = "Plover County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n'
SITES = (
    "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    "P1,Sedge Hall,41.1,-93.5,07:00,20:00,700,2,10\n"
)
UNITS = "unit_id,site_id,type\nSC-1,P1,scan-single\n"


@pytest.fixture
def book(tmp_path: Path) -> Path:
    day = tmp_path / "day"
    day.mkdir()
    for name, text in (("county.toml", COUNTY), ("sites.csv", SITES), ("units.csv", UNITS)):
        (day / name).write_text(text)
    run.take([day], tmp_path / "book", NOW - timedelta(hours=12))
    return tmp_path / "book"


def enter(book: Path, *entries: dict, at: datetime = NOW) -> list:
    path = book.parent / f"entries-{at:%H%M%S}-{len(entries)}.jsonl"
    lines = [
        {"at": at.isoformat(), "by": "Ada Finch", **entry, "values": json.dumps(entry.get("values", {}))}
        for entry in entries
    ]
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return run.take([path], book, at)


def known(book: Path, at: datetime = NOW) -> Known:
    with read.Snapshot(open_book(book).published) as snapshot:
        return read.known_at(read.read_rows(snapshot.con), at)


CALL = {"entry_id": "e1", "action": "ticket", "target": "B-1"}
WORDS = {"site": "Sedge Hall", "text": "the scanner is jammed", "caller": "Orla Trask 555-0142"}


def test_a_call_becomes_a_ticket_with_a_receipt_of_its_own(book: Path):
    receipts = enter(book, CALL | {"values": WORDS})
    assert [(r.kind, r.accepted, r.quarantined) for r in receipts] == [("entries", 1, 0), ("tickets", 1, 0)]
    row = known(book).tickets.to_dicts()[0]
    assert (row["ticket_id"], row["status"], row["opened_at"], row["text"]) == ("B-1", "open", NOW, WORDS["text"])


def test_a_caller_is_a_token_in_the_ticket_and_masked_in_the_entry(book: Path):
    enter(book, CALL | {"values": WORDS | {"text": "jam. Orla Trask waits at 555-0142"}})
    assert known(book).tickets["caller"][0].startswith("p-")
    with duckdb.connect(str(book / "log.duckdb"), read_only=True) as con:
        bodies = " ".join(body for (body,) in con.sql("select body from log").fetchall())
    assert "Trask" not in bodies and "555-0142" not in bodies
    assert "Finch" not in bodies


def test_the_same_file_twice_adds_nothing(book: Path):
    enter(book, CALL | {"values": WORDS})
    size = verify(book / "log.duckdb").size
    receipts = enter(book, CALL | {"values": WORDS})
    assert [(r.kind, r.already_known, r.accepted) for r in receipts] == [("entries", 1, 0)]
    assert verify(book / "log.duckdb").size == size + 1  # the file's receipt


@pytest.mark.parametrize(
    ("action", "target", "values", "table", "column", "value"),
    [
        ("line-count", "P1", {"checkin_line": 31}, "line_counts", "checkin_line", 31.0),
        ("power-note", None, {"text": "lights out at Sedge Hall"}, "power_notes", "text", "lights out at Sedge Hall"),
        ("step", "P1", {"milestone": "open"}, "milestones", "milestone", "open"),
        ("reading", "SC-1", {"ballots_counted": 88}, "status", "ballots_counted", 88),
        ("end-counts", "P1", {"checked_in": 412}, "reconciliation", "checked_in", 412),
        ("stock", "P1", {"style": "7", "on_hand": 90}, "ballot_stock", "on_hand", 90),
    ],
)
def test_each_action_says_a_row_of_its_feed(book: Path, action, target, values, table, column, value):
    receipts = enter(book, {"entry_id": "e", "action": action, "target": target, "values": values})
    assert sum(r.accepted for r in receipts) == 2
    assert getattr(known(book), table)[column].to_list() == [value]


def test_what_cannot_be_a_row_goes_to_quarantine_with_its_reason(book: Path):
    bad = {"entry_id": "e", "action": "line-count", "target": "P1", "values": {"checkin_line": "many"}}
    entries, counts = enter(book, bad)
    assert (entries.accepted, counts.quarantined) == (1, 1)
    assert counts.reasons[0]["column"] == "checkin_line"
    with read.Snapshot(open_book(book).published) as snapshot:
        kept = quarantine_at(snapshot.con, read.read_rows(snapshot.con), NOW)
    assert kept.select("kind", "value").rows() == [("line-counts", "many")]


def test_a_row_that_an_entry_said_badly_is_mended_like_any_other(book: Path):
    bad = {
        "entry_id": "e",
        "action": "line-count",
        "target": "P1",
        "values": {"checkin_line": "many", "booths_used": 4},
    }
    enter(book, bad)
    with duckdb.connect(str(book / "log.duckdb"), read_only=True) as con:
        target = mend.find(con, f"entries-{NOW:%H%M%S}-1.jsonl", 1)
    later = NOW + timedelta(minutes=1)
    path = book.parent / "entries-mend.jsonl"
    path.write_text(mend.mend_line(target, {"checkin_line": "31"}, "Ada Finch", "counted again", later))
    receipts = run.take([path], book, later)
    assert (target.kind, [(r.kind, r.accepted) for r in receipts]) == (
        "line-counts",
        [("entries", 1), ("line-counts", 1)],
    )
    row = known(book, later).line_counts.to_dicts()[0]
    assert (row["site_id"], row["at"], row["checkin_line"]) == ("P1", NOW, 31.0)
    with read.Snapshot(open_book(book).published) as snapshot:
        assert quarantine_at(snapshot.con, read.read_rows(snapshot.con), later).is_empty()


@pytest.mark.parametrize("values", [{"checkin_line": "many"}, {"site_id": "P9", "checkin_line": 3}])
def test_an_entry_taken_back_leaves_nothing_in_quarantine(book: Path, values: dict):
    def waiting(at: datetime) -> int:
        with read.Snapshot(open_book(book).published) as snapshot:
            return quarantine_at(snapshot.con, read.read_rows(snapshot.con), at).height

    enter(book, {"entry_id": "e1", "action": "line-count", "target": "P1", "values": values})
    later = NOW + timedelta(minutes=1)
    enter(book, {"entry_id": "e2", "action": "withdraw", "withdraws": "e1"}, at=later)
    assert waiting(NOW) == 1 and waiting(later) == 0


def test_an_entry_taken_back_stops_counting_from_then_and_the_state_before_returns(book: Path):
    count = {"action": "line-count", "target": "P1"}
    when = NOW.isoformat()
    enter(book, count | {"entry_id": "e1", "values": {"checkin_line": 10, "at": when}})
    later = NOW + timedelta(minutes=1)
    enter(book, count | {"entry_id": "e2", "values": {"checkin_line": 99, "at": when}}, at=later)
    last = NOW + timedelta(minutes=2)
    enter(book, {"entry_id": "e3", "action": "withdraw", "withdraws": "e2"}, at=last)
    found = [known(book, at).line_counts["checkin_line"].to_list() for at in (NOW, later, last)]
    assert found == [[10.0], [99.0], [10.0]]


def test_a_withdrawal_can_be_withdrawn(book: Path):
    enter(book, CALL | {"values": WORDS})
    enter(book, {"entry_id": "e2", "action": "withdraw", "withdraws": "e1"}, at=NOW + timedelta(minutes=1))
    assert known(book, NOW + timedelta(minutes=1)).tickets.is_empty()
    enter(book, {"entry_id": "e3", "action": "withdraw", "withdraws": "e2"}, at=NOW + timedelta(minutes=2))
    assert known(book, NOW + timedelta(minutes=2)).tickets.height == 1


def test_a_ticket_is_moved_on_by_entries_and_never_back(book: Path):
    enter(book, CALL | {"values": WORDS})
    state = {"action": "ticket-state", "target": "B-1"}
    told = {"status": "assigned", "rover_id": "R1", "assigned_at": NOW.isoformat()}
    enter(book, state | {"entry_id": "e2", "values": told}, at=NOW + timedelta(minutes=1))
    done = {"status": "resolved", "resolved_at": NOW.isoformat(), "resolution": "cleared"}
    enter(book, state | {"entry_id": "e3", "values": done}, at=NOW + timedelta(minutes=2))
    row = known(book, NOW + timedelta(minutes=2)).tickets.to_dicts()[0]
    assert (row["status"], row["rover_id"], row["resolution"]) == ("resolved", "R1", "cleared")
    enter(book, {"entry_id": "e4", "action": "withdraw", "withdraws": "e3"}, at=NOW + timedelta(minutes=3))
    assert known(book, NOW + timedelta(minutes=3)).tickets["status"].to_list() == ["assigned"]


def test_two_people_on_one_ticket_both_keep_their_words(book: Path):
    enter(book, CALL | {"values": WORDS})
    pair = [
        {"entry_id": f"e{n}", "action": "note", "target": "B-1", "values": {"text": text}, "by": by}
        for n, (by, text) in enumerate((("Ada Finch", "tray checked"), ("Lou Marsh", "key fetched")), start=2)
    ]
    enter(book, *pair, at=NOW + timedelta(minutes=1))
    notes = known(book, NOW + timedelta(minutes=1)).entries.filter(pl.col("action") == "note")
    assert sorted(entered.said(v)["text"] for v in notes["values"]) == ["key fetched", "tray checked"]
    assert notes["by"].n_unique() == 2


@pytest.mark.parametrize("text", ["", "[]", "null", "{", '{"status": 5}', '{"resolved_at": "yesterday"}'])
def test_badly_written_values_say_nothing(text: str):
    assert entered.state_said(entered.said(text)) == {}


def test_ten_thousand_letters_a_script_and_a_formula_are_kept_as_words(book: Path):
    text = "=1+1 <script>alert(1)</script> 🗳 " + "x" * 10_000
    enter(book, CALL | {"values": WORDS | {"text": text}})
    assert known(book).tickets["text"].to_list() == [text]
