"""Exports in other people's styles: the profile proposed maps each column, and with it every row is taken."""

import csv
import io
import json
import re
import sys
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import cli, run
from pipeline.errors import SourceError, UnknownKind, UsageError
from pipeline.normalise.times import read_times
from pipeline.sources.likeness import meaning, name_likeness, tokens, words
from pipeline.sources.looks import Roster, clock_of, our_columns
from pipeline.sources.profile import profile_of
from pipeline.sources.proposal import Proposal, propose
from pipeline.sources.proposal_text import profile_text
from pipeline.sources.time_forms import DMY, MDY, day_order, time_forms
from pipeline.store import read
from pipeline.store.book import open_book
from pipeline.store.rosters import roster_of

Taking = Callable[..., tuple[dict, pl.DataFrame]]
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


@pytest.fixture
def taking(write_day: Callable[..., Path], tmp_path: Path, now: datetime) -> Taking:
    """Proposes a profile for a file, pipes it to disk, takes the file with it: the profile, and the rows as logged."""

    def take(data: bytes, name: str, kind: str, with_book: bool = False) -> tuple[dict, pl.DataFrame]:
        book = tmp_path / "book"
        run.take([write_day()], book, now)
        roster = roster_of(open_book(book).published) if with_book else None
        text = profile_text(propose(data, name, kind, roster))
        profile = tomllib.loads(text)
        path = tmp_path / name
        path.write_bytes(data)
        (receipt,) = run.take([path], book, now, [profile_of(profile, "proposed")], now)
        assert receipt.read > 0 and receipt.accepted == receipt.read, receipt.reasons
        with read.Snapshot(open_book(book).published) as snapshot:
            logged = read.read_rows(snapshot.con).tables[kind].filter(pl.col("received_at") == now).sort("row")
        assert logged.height == receipt.read
        return profile, logged

    return take


# ---- tickets, in eight styles ----


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

KINDS = {
    "status": (
        "Device ID|Msg No|Sent At|Ballot Count|Power Source|Batt Pct|Misreads|Paper Jams|Device State|Printer Paper|"
        "Memory Cards|Link|Headset|Firmware",
        ["SC-1001|1|11/03/2026 07:05:09|12|AC|99.5|0|0|Idle|Full|2 of 2|Online|Yes|1.2"],
        {"unit_id": "Device ID", "sequence": "Msg No", "at": "Sent At", "ballots_counted": "Ballot Count", "power": "Power Source",
         "battery_percent": "Batt Pct", "misfeeds": "Misreads", "jams": "Paper Jams", "state": "Device State",
         "paper": "Printer Paper", "cards": "Memory Cards", "modem": "Link", "accessible": "Headset"},
    ),
    "line-counts": (
        "Polling Place ID|Observation Time|People In Line|Waiting at Scanner|Observer",
        ["P01|11/03/2026 7:05 AM|12|3|Bo", "P02|11/03/2026 7:15 AM|0|0|Cy"],
        {"site_id": "Polling Place ID", "at": "Observation Time", "checkin_line": "People In Line",
         "scanner_line": "Waiting at Scanner", "counted_by": "Observer"},
    ),
    "milestones": (
        "PRECINCT|EVENT|EVENT TIME|ENTERED BY|NEW SEAL",
        ["P01|POLLS OPENED|2026/11/03 07:00|Bo|", "P02|Zero Report Printed|2026/11/03 06:40|Cy|77012",
         "P02|Memory cards sealed|2026/11/03 20:40|Cy|77019"],
        {"site_id": "PRECINCT", "milestone": "EVENT", "at": "EVENT TIME", "reported_by": "ENTERED BY", "seal_out": "NEW SEAL"},
    ),
    "outages": (
        "Incident|Feeder|Off At|ETR|On At|Customers Affected",
        ["77|K1|03-Nov-26 08:15|03-Nov-26 10:00||1,204", "78|K2|03-Nov-26 08:25||03-Nov-26 08:55|88"],
        {"outage_id": "Incident", "circuit": "Feeder", "started_at": "Off At", "estimated_restoration_at": "ETR",
         "restored_at": "On At", "customers": "Customers Affected"},
    ),
    "units": (
        "AssetTag|Location|DeviceType|SerialNo|DeployedOrSpare|YearInstalled|RunTimeMinutes|BallotBinCapacity",
        ["X-1|P01|Precinct Scanner|99|In use|2019|180|2,000", "X-2||Ballot Marking Device|98|Reserve|2021|90|",
         "X-3|P02|ePollbook|97|In use|2021|300|"],
        {"unit_id": "AssetTag", "site_id": "Location", "type": "DeviceType", "serial": "SerialNo", "role": "DeployedOrSpare",
         "in_service": "YearInstalled", "battery_minutes": "RunTimeMinutes", "bin_capacity": "BallotBinCapacity"},
    ),
    "sites": (
        "Code|Polling Place|Street Address|Lat|Long|Polls Open|Polls Close|Reg Voters|Projected Turnout|Pollbooks|Voting Booths",
        ["P07|Tansy Hall|9 Mill Lane|41.25|-93.51|7:00 AM|8:00 PM|1600|700|3|12",
         "P08|Sedge School|77 Quarry Road|41.27|-93.61|7:00 AM|8:00 PM|1,900|900|4|16"],
        {"site_id": "Code", "name": "Polling Place", "address": "Street Address", "latitude": "Lat", "longitude": "Long",
         "opens": "Polls Open", "closes": "Polls Close", "registered": "Reg Voters", "expected_voters": "Projected Turnout",
         "checkin_stations": "Pollbooks", "booths": "Voting Booths"},
    ),
    "rovers": (
        "Technician|Start Lat|Start Lon|Shift Start|Shift End|Trained On",
        ["R7|41.25|-93.51|0530|2130|scanner;power", "R8|41.35|-93.41|0600|2200|bmd"],
        {"rover_id": "Technician", "latitude": "Start Lat", "longitude": "Start Lon", "on_shift": "Shift Start",
         "off_shift": "Shift End", "skills": "Trained On"},
    ),
    "reconciliation": (
        "Pct|Voters Checked In|Blank Ballots Received|Issued|Spoils|Unused Ballots|Prov|Scanner Total|Aux Bin|Results Tape Total",
        ["P01|700|1000|706|6|294|3|690|8|690", "P02|800|1100|805|5|295|1|800|0|800"],
        {"site_id": "Pct", "checked_in": "Voters Checked In", "ballots_received": "Blank Ballots Received",
         "ballots_issued": "Issued", "spoiled": "Spoils", "unused": "Unused Ballots", "provisional": "Prov",
         "ballots_counted": "Scanner Total", "emergency_counted": "Aux Bin", "tape_total": "Results Tape Total"},
    ),
    "ballot-stock": (
        "location_no|ballot style|counted at|qty remaining",
        ["P01|12A|2026-11-03T12:00:00-06:00|340", "P01|12B|2026-11-03T12:00:00-06:00|120"],
        {"site_id": "location_no", "style": "ballot style", "at": "counted at", "on_hand": "qty remaining"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_profile_proposed(taking: Taking, kind: str):
    header, rows, expected = KINDS[kind]
    profile, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", kind)
    assert profile["columns"] == expected and logged.height == len(rows)


def test_their_words_become_ours(taking: Taking):
    header, rows, _ = KINDS["status"]
    _, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", "status")
    found = logged.select("power", "state", "paper", "cards", "modem", "accessible").row(0)
    assert found == ("mains", "ready", "ok", "both", "up", "connected")
    header, rows, _ = KINDS["sites"]
    _, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", "sites")
    assert logged.select("opens", "closes").row(0) == ("07:00", "20:00")
    header, rows, _ = KINDS["units"]
    _, logged = taking("\n".join([header, *rows, ""]).encode(), "export.dat", "units")
    assert logged["type"].to_list() == ["scan-single", "bmd", "electronic-poll-book"]


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


def test_the_example_of_the_page_is_what_the_program_prints():
    page = (Path(__file__).parents[3] / "docs" / "PROFILES.md").read_text("utf-8")
    export = re.search(r"`export.csv`:\n\n```\n(.*?)```", page, re.S)
    profile = re.search(r"```toml\n(.*?)```", page, re.S)
    assert export and profile
    assert profile_text(propose(export[1].encode(), "export.csv", "tickets")) == profile[1]


# ---- dates, times ----


def text_of(rows: str, kind: str = "line-counts") -> str:
    return profile_text(propose(("site,time,line\n" + rows).encode(), "x.csv", kind))


@pytest.mark.parametrize(
    ("date", "patterns"),
    [
        ("11/03/2026", ["%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"]),
        ("03.11.2026", ["%d.%m.%Y %H:%M", "%m.%d.%Y %H:%M"]),
    ],
)
def test_an_undecided_order_is_said_and_both_patterns_stand_the_likelier_first(date: str, patterns: list[str]):
    text = text_of(f"P01,{date} 09:00,4\n")
    assert tomllib.loads(text)["times"] == {"at": patterns}
    assert "No date tells" in text and "# 0.60" in text


def test_dates_of_both_orders_are_called_doubtful():
    text = text_of("P01,14/11/2026 09:00,4\nP01,11/14/2026 09:00,4\n")
    assert "dates of both orders" in text


def test_the_election_day_decides_between_two_orders():
    assert day_order([["04/03/2026 07:00"]], "2026-03-04").order == DMY
    assert day_order([["04/03/2026 07:00"]], "2026-04-03").order == MDY
    assert day_order([["04/03/2026 07:00"]], "2026-04-03").is_decided
    assert not day_order([["04/04/2026 07:00"]], "2026-04-04").is_decided


# Each is one instant in many clothes: a reading by hand, 3 November 2026 at 19:05.
@pytest.mark.parametrize(
    "value",
    [
        "2026-11-03T19:05", "2026-11-03 19:05:00", "2026/11/03 19:05", "20261103 1905", "202611031905", "20261103T190500",
        "11/3/2026 7:05 PM", "11/03/26 07:05PM", "11-03-2026 19:05", "3-Nov-2026 19:05", "03NOV26 1905", "03NOV2026:19:05:00",
        "Nov 3, 2026 at 7:05 pm", "November 3, 2026 7:05 PM", "3 November 2026 19:05", "Tue, 3 Nov 2026 19:05:00",
        "Tue Nov 3 19:05:00 2026", "7:05 PM 11/3/2026", "19:05 3 Nov 2026", "2026-11-03 19:05:00.000", "11/03/2026 - 19:05",
        "11/03/2026 19:05 CST", "3. Nov 2026 19.05", "11/03/2026 19h05", "11/03/2026 19:05 Uhr",
    ],
)  # fmt: skip
def test_the_pattern_found_reads_the_instant_that_a_person_reads(value: str):
    days = day_order([["11/13/2026"]])
    forms = time_forms([value], [1], days)
    assert forms is not None and forms.share == 1 and forms.is_local
    found = read_times(pl.Series([value]), forms.patterns, "America/Chicago")["time"].to_list()
    assert found == [datetime(2026, 11, 4, 1, 5, tzinfo=UTC)]


@pytest.mark.parametrize("value", ["11/03/2026 7:05 p.m.", "11/03/2026 7:05p", "11/03/2026 27:05", "555-0142", "P01"])
def test_what_no_pattern_reads_rightly_is_not_called_a_time(value: str):
    assert time_forms([value], [1], day_order([[value]])) is None


def test_a_two_digit_year_is_never_read_as_the_year_26():
    values = ["11/13/2026 07:05", "11/14/26 07:06"]
    forms = time_forms(values, [1, 1], day_order([values]))
    assert forms is not None
    assert read_times(pl.Series(values), forms.patterns, "UTC")["time"].dt.year().to_list() == [2026, 2026]


def test_times_in_utc_set_the_zone_of_the_profile():
    assert tomllib.loads(text_of("P01,2026/11/03 15:00 UTC,4\n"))["zone"] == "UTC"


def test_dates_and_times_in_two_columns_are_asked_for_as_one():
    found = propose(b"site,date,time,line\nP01,11/03/2026,09:00,4\n", "x.csv", "line-counts")
    assert [ours.name for ours, _ in found.missing] == ["at"]
    assert "date and time of day are two columns ('date', 'time')" in profile_text(found)


@pytest.mark.parametrize(
    ("text", "clock"),
    [("7 AM", "07:00"), ("12:15 a.m.", "00:15"), ("12 PM", "12:00"), ("0700", "07:00"), ("19:30:00", "19:30"), ("7:00", "07:00"),
     ("25:00", None), ("13 PM", None), ("noon", None)],
)  # fmt: skip
def test_times_of_day_are_read_as_a_person_reads_them(text: str, clock: str | None):
    assert clock_of(text) == clock


# ---- what could not be placed ----


def proposal(data: bytes, kind: str = "tickets", roster: Roster | None = None) -> Proposal:
    return propose(data, "x.csv", kind, roster)


def test_a_required_column_that_nothing_fits_is_named_with_what_to_do():
    found = proposal(b"case,opened,place\n1,2026-11-03 07:00,Oxbow\n2,2026-11-03 07:05,Oxbow\n")
    text = profile_text(found)
    assert [ours.name for ours, _ in found.missing] == ["text", "status"]
    assert "status: export it, or set it for all rows under [constants]: open or assigned or resolved" in text
    assert profile_of(tomllib.loads(text), "x").columns["ticket_id"] == ("case",)


def test_columns_of_theirs_that_were_not_placed_are_listed():
    text = profile_text(
        proposal(b"case,opened,place,notes,state,weather\n1,2026-11-03 07:00,Oxbow,the door is locked,new,rain\n")
    )
    assert '#   "weather"' in text.split("Theirs that could not be placed")[1]


def test_an_optional_column_that_would_cost_rows_is_left_out_and_the_reason_given():
    data = b"unit,at,seq,batt\n" + b"".join(b"SC-1001,2026-11-03 07:0%d,%d,%d%%\n" % (i, i, 90 - i) for i in range(5))
    text = profile_text(proposal(data, "status"))
    assert "battery_percent" not in columns_of(text)
    assert '#   "batt": named like battery_percent; 0 of 5 values are numbers in range' in text


def test_a_word_that_means_nothing_to_us_is_left_to_a_person():
    rows = b"".join(
        b"%d,2026-11-03 07:0%d,Oxbow,the side door is locked,%s\n" % (i, i, w)
        for i, w in enumerate((b"new", b"done", b"new", b"zq"))
    )
    text = profile_text(proposal(b"case,opened,place,notes,state\n" + rows))
    assert tomllib.loads(text)["values"]["status"] == {"open": ["new"], "resolved": ["done"]}
    assert '# not placed: "zq", 1 row' in text


def test_no_telephone_number_is_shown_in_a_comment():
    rows = b"".join(
        b"%d,2026-11-03 07:0%d,Oxbow,the side door is locked,%s\n" % (i, i, w)
        for i, w in enumerate((b"new", b"done", b"new", b"call 303-555-0142"))
    )
    assert "0142" not in profile_text(proposal(b"case,opened,place,notes,state\n" + rows))


def test_odd_names_cannot_break_out_of_their_line():
    header = '"case ""no"" \\","opened\n[times]",place,notes,state,"kind = ""x""\nkind = 1"'
    text = profile_text(proposal(f"{header}\n1,2026-11-03 07:00,Oxbow,the door is locked,new,z\n".encode()))
    read_back = tomllib.loads(text)
    assert read_back["kind"] == "tickets" and "times" not in read_back
    assert (
        read_back["columns"]["ticket_id"] == 'case "no" \\' and read_back["columns"]["opened_at"] == "opened\n[times]"
    )


def test_every_line_of_the_profile_says_why():
    header, rows, _ = KINDS["sites"]
    text = profile_text(propose("\n".join([header, *rows]).encode(), "x.csv", "sites"))
    lines = [line for line in text.splitlines() if line and not line.startswith(("#", "["))]
    assert len(lines) > 12 and all("  # " in line for line in lines)
    chances = [float(line.split("  # ")[1][:4]) for line in lines if "  # 0." in line or "  # 1." in line]
    assert len(chances) > 10 and all(0 <= chance <= 1 for chance in chances)


def test_the_order_of_columns_and_rows_changes_nothing():
    header, rows, expected = KINDS["outages"]
    turned = ["|".join(reversed(line.split("|"))) for line in (header, *reversed(rows))]
    assert columns_of(profile_text(propose("\n".join(turned).encode(), "x.csv", "outages"))) == expected


CELLS = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12) | st.sampled_from(
    [
        "11/03/2026 07:05",
        "P01",
        "12",
        "n",
        "row",
        "value",
        "new",
        "2026-11-03T07:05Z",
        "1793716800",
        "",
        "7:00 AM",
        "Marlpit",
    ]
)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 5).flatmap(lambda n: st.lists(st.lists(CELLS, min_size=n, max_size=n), min_size=2, max_size=6)),
    st.sampled_from(sorted(KINDS)),
)
def test_whatever_a_table_holds_the_profile_can_be_read_back(rows: list[list[str]], kind: str):
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    try:
        found = propose(out.getvalue().encode("utf-8", "replace"), "x.csv", kind)
    except SourceError:
        return
    profile = profile_of(tomllib.loads(profile_text(found)), "x")
    theirs = [name for names in profile.columns.values() for name in names]
    assert len(set(theirs)) == len(theirs) and set(theirs) <= set(found.raw.columns)
    assert len(theirs) + len(found.spare) == len(found.raw.columns)
    assert all(0 <= placed.sure <= 1 for placed in found.placed)


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
        proposal(data)


def test_a_kind_that_is_none_or_needs_no_profile_is_refused():
    with pytest.raises(UnknownKind, match=r"--kind weather: no kind of feed\. Use one of sites, units"):
        proposal(b"a,b\n1,2\n", "weather")
    with pytest.raises(UsageError, match="no profile is needed"):
        proposal(b"a,b\n1,2\n", "power-notes")


# ---- the data file ----


def test_every_name_and_word_of_the_data_file_belongs_to_a_column_and_a_word_of_ours():
    listed = words()
    kinds = {kind: {ours.name: ours for ours in our_columns(kind)} for kind in KINDS | {"tickets": None}}
    for kind, columns in listed["names"].items():
        known = set().union(*kinds.values()) if kind == "any" else set(kinds[kind])
        assert set(columns) <= known, kind
    by_name = {}
    for columns in kinds.values():
        by_name |= {name: ours for name, ours in columns.items() if ours.form == "word"}
    for column, meanings in listed["words"].items():
        assert set(meanings) <= set(by_name[column].choices), column


def test_no_word_of_the_data_file_means_two_things():
    for column, meanings in words()["words"].items():
        flat = [word for many in meanings.values() for word in many]
        assert len(flat) == len(set(flat)), column


@pytest.mark.parametrize(
    ("name", "parted"),
    [("OPENDT", ("open", "time")), ("caseNumber", ("case", "id")), ("Machine #", ("machine", "id")), ("BATT_PCT", ("battery", "percent")),
     ("HTTPServerId", ("http", "server", "id")), ("The Notes", ("notes",))],
)  # fmt: skip
def test_a_header_is_taken_apart(name: str, parted: tuple[str, ...]):
    assert tokens(name) == parted


def test_likeness_is_one_for_a_listed_name_and_small_for_another():
    assert name_likeness("CASE_NO", "tickets", "ticket_id") == 1
    assert name_likeness("Descripton", "tickets", "text") > 0.9
    assert name_likeness("weather", "tickets", "text") < 0.6


def test_a_denied_word_is_not_taken_for_its_opposite():
    choices = ("open", "assigned", "resolved")
    assert meaning("not really resolved", "status", choices) is None
    assert meaning("Resolved (callback)", "status", choices).ours == "resolved"


# ---- the command ----


@pytest.fixture
def wardbook(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Runs a command in this process: exit status, stdout, stderr."""

    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["wardbook", *map(str, words)])
        capsys.readouterr()
        status: object = 0
        try:
            cli.main()
        except SystemExit as done:
            status = done.code or 0
        said = capsys.readouterr()
        return int(str(status)), said.out, said.err

    return call


def test_what_the_command_prints_can_be_piped_to_a_file_and_taken_with(wardbook, write_day, tmp_path: Path):
    header, rows, _ = KINDS["line-counts"]
    (tmp_path / "export.csv").write_text("\n".join([header, *rows, ""]))
    assert wardbook("take", write_day(), "--book", tmp_path / "book")[0] == 0
    status, out, err = wardbook(
        "profile", tmp_path / "export.csv", "--kind", "line-counts", "--book", tmp_path / "book"
    )
    assert status == 0 and "Read this way, 2 of 2 rows have the form of line-counts" in err
    (tmp_path / "p.toml").write_text(out)
    words = ("take", tmp_path / "export.csv", "--book", tmp_path / "book", "--profile", tmp_path / "p.toml")
    status, out, _ = wardbook(*words, "--received", "2026-11-03T12:00:00-06:00")
    assert status == 0 and "2 rows read, 2 accepted" in out


def test_a_missing_required_column_ends_with_status_1_and_still_prints_the_profile(wardbook, tmp_path: Path):
    (tmp_path / "x.csv").write_text("case,opened,place\n1,2026-11-03 07:00,Oxbow\n")
    status, out, err = wardbook("profile", tmp_path / "x.csv", "--kind", "tickets")
    assert status == 1 and tomllib.loads(out)["columns"]["ticket_id"] == "case"
    assert "x.csv: nothing fits text, status." in err


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (("nowhere.csv", "--kind", "tickets"), 2, "nowhere.csv: no such file"),
        (("EMPTY", "--kind", "tickets"), 1, "empty.csv: the file is empty"),
        (("EMPTY", "--kind", "weather"), 2, "--kind weather: no kind of feed"),
        (("FOLDER", "--kind", "tickets"), 2, "a folder. Name one file of it"),
        (("EMPTY", "--kind", "tickets", "--book", "nobook"), 2, "nobook: no book there"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(wardbook, tmp_path: Path, words, status: int, sentence: str):
    (tmp_path / "empty.csv").write_text("")
    named = {"EMPTY": tmp_path / "empty.csv", "FOLDER": tmp_path}
    found, out, err = wardbook("profile", *(named.get(word, word) for word in words))
    assert found == status and out == "" and sentence in err and "Traceback" not in err
