"""The commands as a person or a script calls them: exit status, one sentence for what is wrong, machine output."""

import csv
import io
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline import cli
from pipeline.contracts.estimates import ESTIMATES

AT = "2026-11-03T10:00:00-06:00"


class Outcome:
    """What a command did."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err


@pytest.fixture
def wardbook(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Runs a command in this process through its real entry."""

    def call(*words: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["wardbook", *map(str, words)])
        capsys.readouterr()
        try:
            cli.main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
        said = capsys.readouterr()
        return Outcome(status, said.out, said.err)

    return call


@pytest.fixture
def book(wardbook, write_day, tmp_path: Path) -> Path:
    assert wardbook("take", write_day(), "--book", tmp_path / "book").status == 0
    return tmp_path / "book"


def test_take_prints_receipts_and_their_sum(wardbook, write_day, tmp_path: Path):
    done = wardbook("take", write_day(), "--book", tmp_path / "book")
    assert done.status == 0 and "sites.csv: 2 rows read, 2 accepted" in done.out
    assert "8 files, 0 refused whole; 16 rows read, 16 accepted" in done.out


def test_whatif_says_a_sentence_or_gives_rows(wardbook, book: Path):
    words = ("whatif", "--site", "P02", "--add", "checkin-station", "--from", "09:31", "--book", book)
    done = wardbook(*words)
    assert done.status == 0 and "Oxbow Library (P02), 1 more check-in station from 09:31, as known at 09:30" in done.out
    rows = json.loads(wardbook(*words, "--format", "json").out)
    assert [row["line"] for row in rows] == ["checkin", "booth", "scanner", "all"]
    assert rows[0]["voter_minutes_change_mean"] < 0


@pytest.mark.parametrize("words", [("--rovers", "+1"), ("--part", "paper-roll"), ("--spare", "scan-single")])
def test_whatif_says_what_one_more_would_save(wardbook, book: Path, words):
    rows = json.loads(wardbook("whatif", *words, "--book", book, "--format", "json").out)
    assert [row["when"] for row in rows] == ["so far", "from now on"]
    assert all(row["voter_minutes_saved_low"] <= row["voter_minutes_saved_high"] for row in rows)


@pytest.mark.parametrize(
    "words",
    [
        ("--site", "P99", "--add", "booth=1"),
        ("--spare", "teapot"),
        ("--rovers", "0"),
        ("--part", "roller", "--rovers", "+1"),
        ("--site", "P02"),
        ("--site", "P02", "--add", "booth=many"),
        ("--site", "P02", "--add", "booth=1", "--from", "25:99"),
        ("--site", "P02", "--add", "booth=1", "--format", "xml"),
    ],
)
def test_a_whatif_that_cannot_be_meant_is_wrong_usage(wardbook, book: Path, words):
    done = wardbook("whatif", *words, "--book", book)
    assert done.status == 2 and done.err.strip() and "Traceback" not in done.err


def test_the_outlook_looks_as_far_as_asked(wardbook, book: Path):
    rows = json.loads(wardbook("estimate", "outlook", "--book", book, "--at", AT, "--ahead", "45,close").out)
    assert {row["ahead_minutes"] for row in rows} == {45.0, 600.0}
    assert wardbook("estimate", "lines", "--book", book, "--ahead", "45").status == 2
    assert wardbook("estimate", "outlook", "--book", book, "--ahead", "soon").status == 2


def test_plan_answers_every_site_and_names_the_rows_it_could_not_use(wardbook, book: Path, tmp_path: Path):
    names = tmp_path / "expected.csv"
    names.write_text("site_id,expected_voters,opens,closes\nP01,300,07:00,10:00\nP02,0,07:00,10:00\n")
    done = wardbook("plan", "--next", names, "--book", book, "--format", "json")
    assert done.status == 0
    rows = {row["site_id"]: row for row in json.loads(done.out)}
    assert rows["P01"]["stations"] > rows["P02"]["stations"] == 1 and rows["P01"]["chance_over_30"] < 0.05
    names.write_text("site_id,expected_voters,opens,closes\nP01,200,08:00,10:00\nP02,-4,,\nP01,9,8 o'clock,\n")
    done = wardbook("plan", "--next", names, "--book", book)
    assert done.status == 1 and "P01 Marlpit Grange" in done.out
    assert "row 3, expected_voters: '-4': not a number from 0 up" in done.err and "row 4, opens" in done.err
    names.write_text("place,voters\nP01,900\n")
    assert 'column "site_id" is not there' in wardbook("plan", "--next", names, "--book", book).err
    assert wardbook("plan", "--next", tmp_path / "none.csv", "--book", book).status == 2
    assert wardbook("plan", "--next", names, "--book", book, "--spread", "9").status == 2


@pytest.fixture
def hand(tmp_path: Path) -> Path:
    folder = tmp_path / "hand"
    folder.mkdir()
    (folder / "counts.csv").write_text(
        "site_id,line,at,waiting,wait_minutes\nP01,checkin,09:30,14,8\nP02,checkin,09:31,41,33\nP02,scanner,09:30,2,\n"
        "P09,checkin,09:30,1,1\nP01,door,09:30,1,1\nP01,scanner,half nine,1,1\nP01,scanner,09:30,many,1\nP01,scanner\n"
    )
    return folder


def test_grade_says_how_good_the_lines_were_and_what_it_left_out(wardbook, book: Path, hand: Path, tmp_path: Path):
    words = ("grade", "--truth", hand, "--book", book, "--at", "09:30", "--bins", tmp_path / "bins.csv")
    done = wardbook(*words, "--format", "csv")
    assert done.status == 0
    rows = {(r["line"], r["group"], r["forecaster"]): r for r in csv.DictReader(io.StringIO(done.out))}
    assert rows["checkin", "all", "wardbook"]["counts"] == "2" and rows["scanner", "all", "roster"]["counts"] == "1"
    # 12 and 35 had been counted before, 14 and 41 stand there
    assert float(rows["checkin", "all", "last-count"]["mae"]) == 4.0
    assert rows["checkin", "long lines", "wardbook"]["timed"] == "1"
    for reason in ("no site of the roster", "not one of checkin, scanner", "not a time", "not a number", "2 fields"):
        assert reason in done.err
    assert "3 counts read, 5 rows left out; 3 of them at 1 times are graded." in done.err
    assert (tmp_path / "bins.csv").read_text().startswith("line,bin_low,bin_high,rows")
    assert "check-in, all: 2 counts" in wardbook(*words).out


def test_a_grade_without_counts_says_what_to_write(wardbook, book: Path, hand: Path, tmp_path: Path):
    away = wardbook("grade", "--truth", hand, "--book", book, "--at", "15:00")
    assert away.status == 1 and "no count lies within 2 min" in away.err
    assert wardbook("grade", "--truth", tmp_path / "nowhere", "--book", book).status == 2
    assert wardbook("grade", "--truth", hand, "--book", book, "--every", "0").status == 2
    (hand / "counts.csv").write_text("site,at,n\nP01,09:30,4\n")
    odd = wardbook("grade", "--truth", hand, "--book", book)
    assert odd.status == 1 and 'column "site_id" is not there. Found: site, at, n' in odd.err


def test_take_returns_receipts_as_json(wardbook, write_day, tmp_path: Path):
    done = wardbook("take", write_day(), "--book", tmp_path / "book", "--format", "json")
    receipts = json.loads(done.out)
    assert {"file", "kind", "read", "accepted", "already_known", "superseded", "quarantined", "reasons"} <= set(
        receipts[0]
    )
    assert [r["kind"] for r in receipts][:4] == ["county", "sites", "units", "rovers"]


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (("take", "nowhere.csv", "--book", "b"), 2, "nowhere.csv: no such file or folder"),
        (("estimate", "lines", "--book", "nobook"), 2, "nobook: no book there"),
        (("verify", "--book", "nobook"), 2, "nobook: no book there"),
        (("take", "BAD", "--book", "BOOK", "--received", "yesterday"), 2, "'yesterday': not a time"),
        (("take", "BAD", "--book", "BOOK", "--profile", "none.toml"), 2, "none.toml: no such profile"),
        (("take", "BAD", "--book", "BOOK"), 1, "A file was refused whole"),
        (("estimate", "weather", "--book", "BOOK"), 2, "WHAT weather: not one of"),
        (("estimate", "all", "--book", "BOOK"), 2, "Add --out FOLDER"),
        (("estimate", "lines", "--book", "BOOK", "--at", "noon"), 2, "'noon': not a time"),
        (("estimate", "lines", "--book", "BOOK", "--at", "2026-11-01T12:00:00Z"), 1, "Nothing is known of the county"),
        (("sheet", "--book", "BOOK", "--rover", "R99"), 2, "R99"),
        (("watch", "nowhere", "--book", "BOOK"), 2, "nowhere: not a folder"),
        (("demo", "--at", "half past"), 2, "--at half past: not a time of day"),
        (("demo", "--speed", "-1"), 2, "--speed -1"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_sentence(wardbook, book: Path, tmp_path: Path, words, status: int, sentence: str):
    bad = tmp_path / "holiday.csv"
    bad.write_text("a,b\n1,2\n")
    done = wardbook(*[{"BOOK": book, "BAD": bad}.get(word, word) for word in words])
    assert done.status == status and sentence in done.err and "Traceback" not in done.err


@pytest.mark.parametrize(
    "words", [("take",), ("fly",), ("take", "x", "--book"), ("estimate", "lines", "--book", "b", "--colour", "red")]
)
def test_a_wrong_call_is_wrong_usage(wardbook, words):
    done = wardbook(*words)
    assert done.status == 2 and "Error: " in done.err and "Traceback" not in done.err


def test_an_empty_book_is_said_to_be_empty(wardbook, tmp_path: Path):
    empty = tmp_path / "status-0900.jsonl"
    empty.write_text("")
    assert wardbook("take", empty, "--book", tmp_path / "book").status == 1
    done = wardbook("estimate", "lines", "--book", tmp_path / "book")
    assert done.status == 1 and "no row has been taken yet" in done.err


def test_estimates_are_json_with_an_offset_in_every_time(wardbook, book: Path):
    rows = json.loads(wardbook("estimate", "lines", "--book", book, "--at", AT).out)
    assert {(r["site_id"], r["line"]) for r in rows} == {
        (s, line) for s in ("P01", "P02") for line in ("checkin", "scanner")
    }
    assert all(re.search(r"[+-]\d\d:\d\d$", r["at"]) for r in rows) and all(r["basis"] for r in rows)


def test_several_times_give_rows_that_carry_theirs(wardbook, book: Path):
    later = "2026-11-03T10:30:00-06:00"
    done = wardbook("estimate", "tickets", "--book", book, "--at", AT, "--at", later, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(done.out)))
    assert [r["ticket_id"] for r in rows] == ["K1", "K2"] * 2 and len({r["as_of"] for r in rows}) == 2


def test_an_earlier_elections_record_is_carried_in(wardbook, book: Path, write_day, tmp_path: Path):
    county = 'name = "Quillback County"\nzone = "America/Chicago"\nelection_day = 2024-11-05\n'
    status = '{"unit_id":"SC-1001","at":"2024-11-05T09:00:00-06:00","sequence":1,"ballots_counted":300,"misfeeds":4}\n'
    sent = "".join(
        f"{name},2024-11-05T09:30:00-06:00\n" for name in ("county.toml", "sites.csv", "units.csv", "status-0930.jsonl")
    )
    left_out = dict.fromkeys(
        ("tickets-0930.csv", "lines-0930.csv", "power-0910.txt", "status-0910.jsonl", "rovers.csv")
    )
    changes = left_out | {
        "county.toml": county,
        "status-0930.jsonl": status,
        "received.csv": "file,received_at\n" + sent,
    }
    old = write_day(changes, folder="old", received=False)
    assert wardbook("take", old, "--book", tmp_path / "oldbook").status == 0
    words = ("estimate", "repeats", "--book", book, "--at", AT)
    alone, carried = (
        {row["unit_id"]: row for row in json.loads(wardbook(*words, *more).out)}
        for more in ((), ("--prior", tmp_path / "oldbook"))
    )
    assert alone["SC-1001"]["prior_faults"] == 0 and carried["SC-1001"]["prior_faults"] == pytest.approx(2.0)
    assert "earlier elections add 2" in carried["SC-1001"]["basis"]
    assert wardbook("estimate", "lines", "--book", book, "--prior", tmp_path / "oldbook").status == 2
    done = wardbook(*words, "--prior", book)
    assert done.status == 2 and "is not before 2026-11-03" in done.err


def test_all_estimates_go_to_one_file_each(wardbook, book: Path, tmp_path: Path):
    assert wardbook("estimate", "all", "--book", book, "--at", AT, "--out", tmp_path / "out").status == 0
    names = sorted(p.name for p in (tmp_path / "out").iterdir())
    assert names == sorted(f"{what}-20261103T1600Z.json" for what in ESTIMATES)
    for path in (tmp_path / "out").iterdir():
        assert isinstance(json.loads(path.read_text()), list) and "NaN" not in path.read_text()


def test_verify_tells_whole_from_broken(wardbook, book: Path):
    import duckdb

    done = wardbook("verify", "--book", book)
    assert done.status == 0 and done.out.startswith("whole: ")
    with duckdb.connect(str(book / "log.duckdb")) as con:
        con.execute("update log set body = replace(body, 'Oxbow', 'Elbow') where kind = 'sites' and type = 'row'")
    broken = wardbook("verify", "--book", book)
    assert broken.status == 1 and "entry 4: its text differs" in broken.err


def test_the_installed_command_runs():
    found = Path(sys.executable).with_name("wardbook")
    done = subprocess.run([found, "take", "--help"], capture_output=True, text=True, check=True)
    assert "Example: wardbook take" in done.stdout


def test_every_command_has_help_with_an_example():
    for command in cli.app.registered_commands:
        name = command.callback.__name__  # type: ignore[union-attr]
        result = CliRunner().invoke(cli.app, [name, "--help"])
        assert result.exit_code == 0 and f"Example: wardbook {name}" in " ".join(result.output.split()), name
