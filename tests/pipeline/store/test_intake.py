"""Taking files in: receipts add up, nothing is lost, and any order of arrival ends in the same state."""

import random
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import run
from pipeline.sources.folder import gather
from pipeline.store import read
from pipeline.store.book import open_book
from pipeline.store.intake import Receipt
from pipeline.store.log import connect
from pipeline.store.quarantine import quarantine_at

NOW = datetime(2026, 11, 4, 12, tzinfo=UTC)
END = datetime(2026, 11, 5, tzinfo=UTC)
TICKETS = "ticket_id,opened_at,site,caller,text,status\n"


def take(day: Path, book: Path, **options) -> dict[str, Receipt]:
    receipts = run.take([day], book, NOW, **options)
    assert all(r.adds_up() for r in receipts)
    return {r.file: r for r in receipts}


def counts(receipt: Receipt) -> tuple[int, int, int, int, int]:
    return receipt.read, receipt.accepted, receipt.already_known, receipt.superseded, receipt.quarantined


def rows_of(book: Path) -> read.Rows:
    con = connect(open_book(book).log, read_only=True)
    rows = read.read_rows(con)
    con.close()
    return rows


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return tmp_path / "book"


def test_a_days_folder_is_taken_whole(write_day: Callable[..., Path], book: Path):
    receipts = take(write_day(), book)
    assert {name: counts(r) for name, r in receipts.items()} == {
        "county.toml": (1, 1, 0, 0, 0), "sites.csv": (2, 2, 0, 0, 0), "units.csv": (5, 5, 0, 0, 0), "rovers.csv": (1, 1, 0, 0, 0),
        "lines-0930.csv": (2, 2, 0, 0, 0), "status-0910.jsonl": (2, 2, 0, 0, 0), "tickets-0930.csv": (2, 2, 0, 0, 0),
        "power-0910.txt": (1, 1, 0, 0, 0),
    }  # fmt: skip


def test_taking_it_again_changes_nothing(write_day: Callable[..., Path], book: Path):
    day = write_day()
    take(day, book)
    before = {kind: table.rows() for kind, table in rows_of(book).tables.items()}
    again = take(day, book)
    assert all(r.already_known == r.read for r in again.values())
    assert {kind: table.rows() for kind, table in rows_of(book).tables.items()} == before


def test_a_changed_ticket_supersedes_and_its_earlier_state_stays(write_day: Callable[..., Path], book: Path):
    take(write_day(), book)
    later = TICKETS + "K1,2026-11-03T09:10:00,Marlpit Grange,Alva Trennick,scanner jammed,resolved\n"
    receipt = take(write_day({"tickets-1000.csv": later}), book, received=datetime(2026, 11, 3, 16, tzinfo=UTC))[
        "tickets-1000.csv"
    ]
    assert counts(receipt) == (1, 0, 0, 1, 0)
    rows = rows_of(book)
    assert rows.tables["tickets"].filter(pl.col("key") == "K1").height == 2
    assert read.states(rows, "tickets", END).filter(pl.col("key") == "K1")["status"].to_list() == ["resolved"]
    before = read.states(rows, "tickets", datetime(2026, 11, 3, 15, 45, tzinfo=UTC))
    assert before.filter(pl.col("key") == "K1")["status"].to_list() == ["open"]


def test_a_bad_row_is_quarantined_once_and_known_after(write_day: Callable[..., Path], book: Path):
    bad = "site_id,at,checkin_line\nP01,never,3\nP02,2026-11-03T09:40:00,4\n"
    day = write_day({"lines-0940.csv": bad})
    first, second = take(day, book)["lines-0940.csv"], take(day, book)["lines-0940.csv"]
    assert counts(first) == (2, 1, 0, 0, 1) and counts(second) == (2, 0, 2, 0, 0)
    expected = "not a time in America/Chicago; expected like 2026-11-03T09:30:00-06:00"
    assert first.reasons == [{"row": 2, "column": "at", "value": "never", "reason": expected}]


def test_reasons_never_show_a_name_or_a_number(write_day: Callable[..., Path], book: Path):
    bad = (
        TICKETS
        + "K9,never,Marlpit Grange 555-0142,Alva Trennick,Alva Trennick says no,open\nK8,2026-11-03T09:10:00,x,Alva Trennick,y,lost\n"
    )
    receipt = take(write_day({"tickets-0940.csv": bad}), book)["tickets-0940.csv"]
    assert receipt.quarantined == 2
    con = connect(open_book(book).log, read_only=True)
    logged = str(con.sql("select body from log").fetchall()) + str(receipt.reasons)
    con.close()
    assert "Trennick" not in logged and "555-0142" not in logged  # four digits alone may stand in a digest


def test_a_status_line_of_an_unlisted_unit_waits_for_a_roster(write_day: Callable[..., Path], book: Path):
    line = '{"unit_id":"SC-7777","at":"2026-11-03T09:00:00-06:00","sequence":1,"ballots_counted":5}\n'
    receipt = take(write_day({"status-0920.jsonl": line}), book)["status-0920.jsonl"]
    assert counts(receipt) == (1, 0, 0, 0, 1) and "no roster lists this unit" in receipt.reasons[0]["reason"]
    rows = rows_of(book)
    assert "SC-7777" not in read.known_at(rows, END).status["unit_id"]
    roster = "unit_id,site_id,type\nSC-7777,P01,scan-single\n"
    take(write_day({"units-late.csv": roster}), book, received=datetime(2026, 11, 3, 20, tzinfo=UTC))
    rows = rows_of(book)
    assert "SC-7777" in read.known_at(rows, END).status["unit_id"]
    assert "SC-7777" not in read.known_at(rows, datetime(2026, 11, 3, 19, tzinfo=UTC)).status["unit_id"]


def test_an_earlier_receipt_of_a_known_row_counts(write_day: Callable[..., Path], book: Path):
    take(write_day(), book)
    early = datetime(2026, 11, 3, 15, 20, tzinfo=UTC)
    assert read.known_at(rows_of(book), early).tickets.is_empty()
    take(write_day(), book, received=early)
    assert read.known_at(rows_of(book), early).tickets.height == 2


def test_local_times_taken_before_the_county_are_placed_when_it_comes(
    write_day: Callable[..., Path], book: Path, tmp_path: Path
):
    day = write_day()
    lines = tmp_path / "lines-0930.csv"
    lines.write_bytes((day / "lines-0930.csv").read_bytes())
    (receipt,) = run.take([day / "sites.csv", lines], book, NOW)[1:]
    assert receipt.quarantined == 2 and "take county.toml" in receipt.reasons[0]["reason"]
    take(day, book)
    assert read.known_at(rows_of(book), END).line_counts["at"].to_list()[0] == datetime(2026, 11, 3, 15, 15, tzinfo=UTC)
    con = connect(open_book(book).log, read_only=True)
    assert quarantine_at(con, rows_of(book), END).is_empty()
    con.close()


@pytest.mark.parametrize(
    ("text", "column", "word"),
    [
        ('name = "Q"\nzone = "Mars/Base"\nelection_day = 2026-11-03\n', "zone", "IANA"),
        ('name = "Q"\nzone = "UTC"\nelection_day = "soon"\n', "election_day", "not a date"),
        (
            'name = "Q"\nzone = "UTC"\nelection_day = 2026-11-03\n[lines]\nnonsense = 3\n',
            "assumptions",
            "no assumption",
        ),
        (
            'name = "Q"\nzone = "UTC"\nelection_day = 2026-11-03\n[milestones.lunch]\ndue = "12:00"\n',
            "milestones",
            "no step",
        ),
    ],
)
def test_county_facts_that_cannot_be_used_are_quarantined(write_day, book: Path, text: str, column: str, word: str):
    receipt = take(write_day({"county.toml": text}), book)["county.toml"]
    assert receipt.quarantined == 1 and receipt.reasons[0]["column"] == column and word in receipt.reasons[0]["reason"]


def test_a_roster_with_a_doubled_id_keeps_both_and_counts_the_second_as_a_change(write_day, book: Path):
    doubled = "rover_id,latitude,longitude,on_shift,off_shift\nR1,41.1,-93.4,06:00,22:00\nR1,41.1,-93.4,07:00,22:00\n"
    assert counts(take(write_day({"rovers.csv": doubled}), book)["rovers.csv"]) == (2, 1, 0, 1, 0)
    assert read.known_at(rows_of(book), END).rovers.height == 1


TICKET_ROWS = st.lists(
    st.tuples(st.sampled_from(["K1", "K2", "K3"]), st.sampled_from(["open", "assigned", "resolved", "lost"]), st.sampled_from(["jam", "dark"])),
    min_size=1,
    max_size=6,
)  # fmt: skip


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(exports=st.lists(TICKET_ROWS, min_size=1, max_size=4), seed=st.integers(0, 10_000))
def test_any_order_of_arrival_ends_in_the_same_state(exports, seed: int, write_day, tmp_path_factory):
    """Each export keeps its receipt; the order in which they are taken is shuffled, and some come twice."""
    base = write_day({"tickets-0930.csv": None})
    shuffled = random.Random(seed)
    outcomes = []
    for order in ("as received", "shuffled"):
        folder = tmp_path_factory.mktemp("run")
        numbered = list(enumerate(exports))
        if order == "shuffled":
            numbered += [numbered[-1]]
            shuffled.shuffle(numbered)
        book = open_book(folder / "book", create=True)
        with run.Writer(book, NOW) as writer:
            receipts = writer.take(gather([base], NOW), NOW)
            for number, rows in numbered:
                path = folder / f"tickets-{number}.csv"
                lines = [f"{k},2026-11-03T09:00:00,Marlpit,A. Nemo,{text},{status}" for k, status, text in rows]
                path.write_text(TICKETS + "\n".join(lines) + "\n")
                receipts += writer.take(gather([path], NOW, datetime(2026, 11, 3, 16, number, tzinfo=UTC)), NOW)
            assert all(r.adds_up() for r in receipts)
            rows = writer.rows()
            state = read.states(rows, "tickets", END).drop("seq", "content_key", "file", "row", "caller").rows()
            quarantine = set(quarantine_at(writer.log.con, rows, END).select("kind", "column", "value").rows())
        outcomes.append((state, quarantine))
    assert outcomes[0] == outcomes[1]


def test_people_under_headers_that_nobody_mapped_do_not_enter_the_log(write_day, book: Path):
    foreign = "Ref;Called in by;Story\n1;Alva Trennick;no light\n"
    extra = TICKETS.strip() + ",entered_by\nK7,2026-11-03T09:10:00,Marlpit,,jam,open,Bo Marsden\n"
    receipts = take(write_day({"tickets-0941.csv": foreign, "tickets-0942.csv": extra}), book)
    assert receipts["tickets-0941.csv"].quarantined == 1 and receipts["tickets-0942.csv"].accepted == 1
    con = connect(open_book(book).log, read_only=True)
    logged = str(con.sql("select body from log").fetchall())
    con.close()
    assert "Trennick" not in logged and "Marsden" not in logged and '"entered_by":"p-' in logged


def test_a_row_that_does_not_come_apart_shows_its_start_and_no_name(write_day, book: Path):
    ragged = TICKETS + "K7,2026-11-03T09:10:00,Marlpit,Alva Trennick,jam,too,many,fields,open\n"
    receipt = take(write_day({"tickets-0943.csv": ragged}), book)["tickets-0943.csv"]
    assert receipt.quarantined == 1 and receipt.reasons[0]["value"] == "K7,2026-11-03T09:10:00,M…"
    con = connect(open_book(book).log, read_only=True)
    assert "Trennick" not in str(con.sql("select body from log").fetchall())
    con.close()
