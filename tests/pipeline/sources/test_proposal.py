"""Exports in other people's styles: the profile proposed maps each column, and with it every row is taken."""

import io
import json
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import SourceError, UnknownKind, UsageError
from pipeline.sources.proposal import propose
from pipeline.sources.proposal_text import profile_text

Taking = Callable[..., tuple[dict, pl.DataFrame]]
KINDS = ("status", "line-counts", "milestones", "outages", "units", "sites", "rovers", "reconciliation", "ballot-stock")
TEXTS = (
    "The scanner in the hall pulls two sheets at a time and stops",
    "Nobody here has a key for the side door and it is locked",
    "We have about a dozen pens left and would like some more",
    "Tablet at the second table keeps asking for a password after a restart",
)


def columns_of(text: str) -> dict[str, str]:
    """Ours → theirs, as a proposed profile says."""
    return tomllib.loads(text)["columns"]


def table(header: list[str], rows: list[list[str]], mark: str) -> str:
    return "".join(mark.join(row) + "\r\n" for row in (header, *rows))


# ---- tickets, in eight styles; voice messages: test_voice_messages.py ----


def test_semicolons_windows_letters_and_day_first_dates(taking: Taking):
    header = ["Case Nr.", "Reported on", "Polling place", "What happened", "Stage", "Closed on"]
    rows = [
        ["F1", "03.11.2026 07:05", "Café Mühle", TEXTS[0], "NEW", ""],
        ["F2", "03.11.2026 09:40", "Café Mühle", TEXTS[1], "WIP", ""],
        ["F3", "13.10.2026 18:20", "Oxbow Library", TEXTS[2], "DONE", "13.10.2026 18:45"],
    ]
    profile, logged = taking(table(header, rows, ";").encode("cp1252"), "hotline.csv", "tickets")
    assert profile["delimiter"] == ";" and profile["encoding"] == "cp1252"
    assert profile["columns"] == {
        "ticket_id": "Case Nr.",
        "opened_at": "Reported on",
        "site": "Polling place",
        "text": "What happened",
        "status": "Stage",
        "resolved_at": "Closed on",
    }
    # One 13th decides the order for the file as a whole, for columns without one too.
    assert profile["times"] == {"opened_at": ["%d.%m.%Y %H:%M"], "resolved_at": ["%d.%m.%Y %H:%M"]}
    assert logged["opened_at"][0] == datetime(2026, 11, 3, 13, 5, tzinfo=UTC)
    assert logged["status"].to_list() == ["open", "assigned", "resolved"]
    assert logged["site"][0] == "Café Mühle"


def test_tabs_terse_capitals_and_twelve_hours(taking: Taking):
    header = ["TKTNO", "OPENDT", "LOC", "EQUIP", "DESCR", "STAT", "PRI", "TECH", "ASGNDT", "ARRDT", "CLSDT"]
    rows = [
        ["7001", "11/03/26 7:05 AM", "Marlpit Grange", "SC-1001", TEXTS[0], "OPEN", "1", "", "", "", ""],
        ["7002", "11/03/26 1:15 PM", "Oxbow Lib", "", TEXTS[1], "IN PROGRESS", "2", "R1", "11/03/26 1:20 PM", "", ""],
        ["7003", "10/31/26 2:15 PM", "Oxbow Lib", "", TEXTS[2], "CANCELLED", "3", "R1", "10/31/26 2:20 PM",
         "10/31/26 2:45 PM", "10/31/26 3:05 PM"],
    ]  # fmt: skip
    profile, logged = taking(table(header, rows, "\t").encode(), "CALLS.TSV", "tickets")
    assert profile["delimiter"] == "\t"
    assert profile["columns"] == {
        "ticket_id": "TKTNO",
        "opened_at": "OPENDT",
        "site": "LOC",
        "unit": "EQUIP",
        "text": "DESCR",
        "urgency": "PRI",
        "status": "STAT",
        "assigned_at": "ASGNDT",
        "rover_id": "TECH",
        "arrived_at": "ARRDT",
        "resolved_at": "CLSDT",
    }
    assert profile["times"]["arrived_at"] == ["%m/%d/%y %I:%M %p"]
    assert logged["opened_at"][1] == datetime(2026, 11, 3, 19, 15, tzinfo=UTC)
    assert logged["status"].to_list() == ["open", "assigned", "resolved"]


def test_json_lines_camel_case_and_epoch_milliseconds(taking: Taking):
    start = datetime(2026, 11, 3, 14, 5, tzinfo=UTC)
    records = [
        {
            "incidentNumber": 500 + i,
            "createdAt": int((start + timedelta(minutes=7 * i)).timestamp() * 1000),
            "locationName": "Oxbow Library",
            "assetTag": None,
            "reporterName": "A. Trennick",
            "problemDescription": text,
            "currentState": ("submitted", "dispatched", "completed", "queued")[i],
            "closedAt": int((start + timedelta(hours=2)).timestamp() * 1000) if i == 2 else None,
            "appVersion": "4.1",
        }
        for i, text in enumerate(TEXTS)
    ]
    data = "".join(json.dumps(record) + "\n" for record in records).encode()
    profile, logged = taking(data, "feed.ndjson", "tickets")
    assert profile["format"] == "jsonl" and "zone" not in profile and "delimiter" not in profile
    assert profile["columns"] == {
        "ticket_id": "incidentNumber",
        "opened_at": "createdAt",
        "site": "locationName",
        "unit": "assetTag",
        "caller": "reporterName",
        "text": "problemDescription",
        "status": "currentState",
        "resolved_at": "closedAt",
    }
    assert profile["times"] == {"opened_at": ["epoch-milliseconds"], "resolved_at": ["epoch-milliseconds"]}
    assert logged["opened_at"][0] == start and logged["status"].to_list() == ["open", "assigned", "resolved", "open"]
    assert json.loads(logged["attributes"][0]) == {"appVersion": "4.1"}


def test_a_workbook_with_date_cells(taking: Taking):
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    sheet, as_time = book.add_worksheet(), book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    for place, name in enumerate(["Call #", "Date/Time", "Where", "Caller", "Comments", "Call Status", "Fixed"]):
        sheet.write(0, place, name)
    for i, text in enumerate(TEXTS):
        for place, value in enumerate([f"C-{i}", None, "Marlpit", "Bo", text, "Closed" if i else "Open"]):
            sheet.write(i + 1, place, value)
        sheet.write_datetime(i + 1, 1, datetime(2026, 11, 3, 8, 10 + i), as_time)
        if i:
            sheet.write_datetime(i + 1, 6, datetime(2026, 11, 3, 9, 10 + i, 30), as_time)
    book.close()
    profile, logged = taking(out.getvalue(), "hotline log.xlsx", "tickets")
    assert profile["format"] == "xlsx" and profile["columns"] == {
        "ticket_id": "Call #",
        "opened_at": "Date/Time",
        "site": "Where",
        "caller": "Caller",
        "text": "Comments",
        "status": "Call Status",
        "resolved_at": "Fixed",
    }
    assert logged["opened_at"][0] == datetime(2026, 11, 3, 14, 10, tzinfo=UTC)
    assert logged["status"].to_list() == ["open", "resolved", "resolved", "resolved"]


@pytest.mark.parametrize("codec", ["utf-16", "utf-16-le", "utf-16-be"])
def test_two_byte_letters_with_and_without_a_mark(taking: Taking, codec: str):
    header = ["Reference", "Logged", "Venue", "Notes", "Progress"]
    rows = [[f"N{i}", f"2026-11-03 08:1{i}", "Marlpit", text, "New"] for i, text in enumerate(TEXTS)]
    profile, logged = taking(table(header, rows, "|").encode(codec), "log.txt", "tickets")
    assert profile["encoding"] == codec and profile["delimiter"] == "|" and "times" not in profile
    assert list(profile["columns"].values()) == header and set(logged["status"]) == {"open"}


def test_month_names_and_offsets(taking: Taking):
    header = ["request_id", "submitted", "facility", "summary", "workflow state", "on site at"]
    rows = [
        ["1", "Nov 3 2026 7:05:10 AM -0600", "Oxbow", TEXTS[0], "Re-opened", ""],
        ["2", "Nov 3 2026 1:05:10 PM -0600", "Oxbow", TEXTS[1], "On scene", "Nov 3 2026 1:35:10 PM -0600"],
    ]
    profile, logged = taking(table(header, rows, ",").encode(), "requests.csv", "tickets")
    assert profile["columns"]["arrived_at"] == "on site at" and "zone" not in profile
    assert logged["opened_at"].to_list() == [datetime(2026, 11, 3, h, 5, 10, tzinfo=UTC) for h in (13, 19)]
    assert logged["status"].to_list() == ["open", "assigned"]


def test_a_dispatcher_s_short_forms_are_told_apart_by_what_is_under_them(taking: Taking):
    header = [
        "Call #",
        "Rec’d",
        "Where",
        "Name & phone",
        "Narrative",
        "Disp",
        "Asgn",
        "Unit #",
        "Arr",
        "Clr",
        "How fixed",
    ]
    rows = [
        ["9", "11/03/26 07:05", "Oxbow", "Bo 555-0101", TEXTS[0], "O", "", "", "", "", ""],
        *(["1" + str(i), "11/03/26 07:0" + str(i), "Marlpit", "Cy 555-0102", text, "A", "11/03/26 07:15", "R1", "", "", ""]
          for i, text in enumerate(TEXTS)),
        *(["2" + str(i), "11/03/26 08:0" + str(i), "Marlpit", "Di 555-0103", text, "C", "11/03/26 08:15", "R1",
           "11/03/26 08:25", "11/03/26 08:35", "showed them the second feed roller"] for i, text in enumerate(TEXTS)),
    ]  # fmt: skip
    profile, logged = taking(table(header, rows, "\t").encode("utf-16"), "log.tsv", "tickets", with_book=True)
    assert profile["columns"] == {
        "ticket_id": "Call #",
        "opened_at": "Rec’d",
        "site": "Where",
        "caller": "Name & phone",
        "text": "Narrative",
        "status": "Disp",
        "assigned_at": "Asgn",
        "rover_id": "Unit #",
        "arrived_at": "Arr",
        "resolved_at": "Clr",
        "resolution": "How fixed",
    }
    assert logged["status"].to_list() == ["open", *["assigned"] * 4, *["resolved"] * 4]


def test_dates_and_times_of_day_in_columns_of_their_own(taking: Taking):
    header = ["Ticket", "Call Date", "Call Time", "Location", "Problem", "Status", "Closed Date", "Closed Time"]
    rows = [
        ["1", "11/03/2026", "7:05 AM", "Oxbow", TEXTS[0], "Open", "", ""],
        ["2", "11/03/2026", "1:15 PM", "Marlpit", TEXTS[1], "Closed", "11/03/2026", "1:45 PM"],
    ]
    profile, logged = taking(table(header, rows, ",").encode(), "calls.csv", "tickets")
    assert profile["columns"]["opened_at"] == "Call Date + Call Time"
    assert profile["columns"]["resolved_at"] == "Closed Date + Closed Time"
    assert logged["opened_at"].to_list() == [datetime(2026, 11, 3, h, m, tzinfo=UTC) for h, m in ((13, 5), (19, 15))]
    assert logged["resolved_at"].to_list() == [None, datetime(2026, 11, 3, 19, 45, tzinfo=UTC)]
    assert logged["attributes"].drop_nulls().is_empty()  # the parts stand in the times


def test_one_date_serves_several_times_of_day_of_which_some_are_empty(taking: Taking):
    header = ["log #", "date", "when", "where", "what's up", "stat", "all set at"]
    rows = [
        ["1", "11/3/26", "7:05:10", "Oxbow", TEXTS[0], "open", ""],
        ["2", "11/3/26", "13:15:00", "Marlpit", TEXTS[1], "done", "13:45:00"],
        ["3", "11/3/26", "13:20:00", "Marlpit", TEXTS[2], "open", ""],
    ]
    profile, logged = taking(table(header, rows, ",").encode(), "calls.csv", "tickets")
    assert profile["columns"]["opened_at"] == "date + when" and profile["columns"]["resolved_at"] == "date + all set at"
    assert logged["resolved_at"].to_list() == [None, datetime(2026, 11, 3, 19, 45, tzinfo=UTC), None]


def test_words_that_one_list_alone_has_are_placed_under_any_name(taking: Taking):
    header = ["Dev", "Polled", "Msg", "Sheets", "F5", "F6", "F7", "Chg"]
    rows = [
        ["SC-1001", "2026-11-03 08:0" + str(i), str(i), str(10 * i), ("AC", "DC")[i % 2], ("Idle", "Scanning", "Jammed")[i % 3], "OK", "88"]
        for i in range(6)
    ]  # fmt: skip
    profile, logged = taking(table(header, rows, "|").encode(), "poll.csv", "status", with_book=True)
    assert profile["columns"]["power"] == "F5" and profile["columns"]["state"] == "F6"
    assert "F7" not in profile["columns"].values()  # paper, a state, cards: "OK" is said of them all
    assert logged["power"].to_list() == ["mains", "battery"] * 3


def test_headers_that_say_nothing_are_placed_by_what_is_under_them(taking: Taking):
    header = ["F1", "F2", "F3", "F4", "F5"]
    rows = [
        [f"{i}", f"11/03/2026 09:{i}0", ("SC-1001", "P01")[i % 2], text, ("new", "done")[i % 2]]
        for i, text in enumerate(TEXTS)
    ]
    for row, place in zip(rows, ("Marlpit", "Oxbow Lib", "Oxbow Library", "Marlpit Grange"), strict=True):
        row[2] = place
    profile, _ = taking(table(header, rows, ",").encode(), "export.csv", "tickets", with_book=True)
    assert list(profile["columns"]) == ["ticket_id", "opened_at", "site", "text", "status"]
    assert list(profile["columns"].values()) == header


def test_unknown_words_of_a_status_are_placed_by_the_times_in_their_rows(taking: Taking):
    header = ["ticket", "opened", "site", "text", "status", "assigned", "resolved"]
    rows = [
        [f"{place}{i}", "2026-11-03 08:00", "Oxbow", text, word, *times]
        for place, (word, times) in enumerate(
            {
                "bucket Q": ("", ""),
                "bucket R": ("2026-11-03 08:05", ""),
                "bucket S": ("2026-11-03 08:05", "2026-11-03 08:25"),
            }.items()
        )
        for i, text in enumerate(TEXTS)
    ]
    profile, logged = taking(table(header, rows, ",").encode(), "export.csv", "tickets")
    assert profile["values"]["status"] == {"open": ["bucket Q"], "assigned": ["bucket R"], "resolved": ["bucket S"]}
    assert logged["status"].to_list() == ["open"] * 4 + ["assigned"] * 4 + ["resolved"] * 4


def test_letters_of_a_status_are_read_by_the_times_in_their_rows_before_any_list():
    header = ["ticket", "opened", "site", "text", "handled?", "assigned", "resolved"]
    rows = [
        [f"{word}{i}", "2026-11-03 08:00", "Oxbow", text, word, "2026-11-03 08:05" if word == "Y" else "", done]
        for word, done in (("N", ""), ("Y", "2026-11-03 08:25"))
        for i, text in enumerate(TEXTS)
    ]
    found = profile_text(propose(table(header, rows, ",").encode(), "x.csv", "tickets"))
    assert tomllib.loads(found)["values"]["status"] == {"open": ["N"], "resolved": ["Y"]}


# ---- the other kinds ----


def test_an_export_of_every_kind_is_tried(exports):
    assert set(exports) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_profile_proposed(taking: Taking, exports, kind: str):
    header, rows, expected = exports[kind]
    profile, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", kind)
    assert profile["columns"] == expected and logged.height == len(rows)


def test_their_words_become_ours(taking: Taking, exports):
    header, rows, _ = exports["status"]
    _, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", "status")
    found = logged.select("power", "state", "paper", "cards", "modem", "accessible").row(0)
    assert found == ("mains", "ready", "ok", "both", "up", "connected")
    header, rows, _ = exports["sites"]
    _, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", "sites")
    assert logged.select("opens", "closes").row(0) == ("07:00", "20:00")
    header, rows, _ = exports["units"]
    _, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", "units")
    assert logged["type"].to_list() == ["scan-single", "bmd", "electronic-poll-book"]


def test_numbers_are_proposed_as_they_are_taken(taking: Taking):
    rows = "".join(f'SC-1001,2026-11-03 07:0{i},{i},{90 - i}%,"1,{200 + i}"\n' for i in range(5))
    profile, logged = taking(f"unit,at,seq,batt,ballots\n{rows}".encode(), "export.dat", "status")
    assert profile["columns"]["battery_percent"] == "batt"
    assert logged.select("battery_percent", "ballots_counted").row(4) == (86.0, 1204)


def test_ids_of_places_go_before_their_names(taking: Taking):
    data = (
        b"Polling Place,Loc Code,when,line\nMARLPIT GRANGE,P02,11/03/2026 07:05,12\nOxbow Lib,P01,11/03/2026 07:06,4\n"
        b"Oxbow Lib,P01,11/03/2026 07:35,4\n"
    )
    profile, _ = taking(data, "counts.csv", "line-counts", with_book=True)
    assert profile["columns"]["site_id"] == "Loc Code"


def test_with_a_book_names_of_places_become_ids_and_the_zone_is_known(taking: Taking):
    data = (
        b"where,when,line\nMARLPIT GRANGE,11/03/2026 07:05,12\nOxbow Lib,11/03/2026 07:06,4\np01,11/03/2026 07:35,4\n"
    )
    profile, logged = taking(data, "counts.csv", "line-counts", with_book=True)
    assert profile["zone"] == "America/Chicago"
    assert profile["values"]["site_id"] == {"P01": ["MARLPIT GRANGE", "p01"], "P02": ["Oxbow Lib"]}
    assert logged["site_id"].to_list() == ["P01", "P02", "P01"]
    assert profile["times"] == {"at": ["%m/%d/%Y %H:%M"]}  # the book's election day is the third of November


def test_our_own_feeds_are_proposed_as_they_are(write_day: Callable[..., Path], now: datetime):
    for name, kind in {"sites.csv": "sites", "units.csv": "units", "tickets-0930.csv": "tickets", "lines-0930.csv": "line-counts",
                       "rovers.csv": "rovers", "status-0910.jsonl": "status"}.items():  # fmt: skip
        found = propose((write_day() / name).read_bytes(), name, kind)
        assert columns_of(profile_text(found)) == {name: name for name in found.raw.columns}, kind


# ---- what is refused ----


@pytest.mark.parametrize(
    ("data", "error", "sentence"),
    [
        (b"", SourceError, "x.csv: the file is empty"),
        (b"a,b\n", SourceError, "x.csv: no rows to look at"),
        (b'[{"a": 1}]', SourceError, "x.csv: one JSON list"),
        (b"\xd0\xcf\x11\xe0rest", SourceError, "x.csv: a workbook of the old form"),
        (b"PK\x03\x04rest", SourceError, "x.csv: not an .xlsx workbook"),
    ],
)
def test_a_file_without_rows_is_refused_in_a_sentence(data: bytes, error: type[Exception], sentence: str):
    with pytest.raises(error, match=sentence.replace(".", r"\.")):
        propose(data, "x.csv", "tickets")


def test_a_kind_that_is_none_or_needs_no_profile_is_refused():
    with pytest.raises(UnknownKind, match=r"--kind weather: no kind of feed\. Use one of sites, units"):
        propose(b"a,b\n1,2\n", "x.csv", "weather")
    with pytest.raises(UsageError, match="no profile is needed"):
        propose(b"a,b\n1,2\n", "x.csv", "power-notes")


# ---- what the values tell where a name does not ----


def test_a_word_of_two_meanings_takes_the_one_that_no_other_word_has(taking: Taking):
    header = ["Device", "Reported", "No", "State"]
    rows = [["SC-1001", f"2026-11-03 09:0{n}", str(n), word] for n, word in enumerate(("Active", "Idle", "Active"))]
    profile, logged = taking(table(header, rows, ",").encode(), "status.csv", "status")
    assert profile["values"]["state"] == {"ready": ["Idle"], "scanning": ["Active"]}
    assert logged["state"].to_list() == ["scanning", "ready", "scanning"]
    alone = tomllib.loads(profile_text(propose(table(header, rows[::2], ",").encode(), "status.csv", "status")))
    assert alone["values"]["state"] == {"ready": ["Active"]}


def test_skills_parts_and_breaks_are_known_by_their_form():
    text = "Van|North|East|Begin|Finish|Q1|Q2|Q3\n7|41.1|-93.2|05:30|21:00|scanner;power|roller:2;cable:1|12:00-12:30\n"
    placed = {p.ours.name: p.theirs.name for p in propose(text.encode(), "rovers.csv", "rovers").placed}
    assert (placed["skills"], placed["parts"], placed["breaks"]) == ("Q1", "Q2", "Q3")


def test_a_roster_of_precincts_is_keyed_by_the_precinct():
    text = "precinct|name|lat|lon|open|close|turnout|pollbooks|booths|pct list\nP1|Tansy Hall|41.1|-93.2|07:00|20:00|500|2|9|4\n"
    placed = {p.ours.name: p.theirs.name for p in propose(text.encode(), "sites.csv", "sites").placed}
    assert (placed["site_id"], placed["precincts"]) == ("precinct", "pct list")
