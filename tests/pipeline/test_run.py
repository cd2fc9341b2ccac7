"""What is shown at T stands on the rows received by T and on nothing else."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import run
from pipeline.contracts.estimates import ESTIMATES
from pipeline.errors import BookBusy, BookEmpty, SettingsError
from pipeline.estimates.counts import reconciliation
from pipeline.sources.folder import gather
from pipeline.store import log, read
from pipeline.store.book import Writing, is_held, open_book

T = datetime(2026, 11, 3, 16, 30, tzinfo=UTC)
LATE = datetime(2026, 11, 3, 17, 30, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
CHICAGO = ZoneInfo("America/Chicago")
LATER = {
    "tickets-1130.csv": (
        "ticket_id,opened_at,site,unit,caller,text,status\n"
        "K1,2026-11-03T09:10:00,Marlpit Grange,SC-1001,Alva Trennick,scanner jammed,resolved\n"
        "K3,2026-11-03T09:40:00,Oxbow Library,,,the scanner is dead,open\n"
    ),
    "status-1130.jsonl": '{"unit_id":"SC-1001","at":"2026-11-03T10:00:00-06:00","sequence":2,"ballots_counted":121,"jams":3,"power":"battery","battery_percent":60,"state":"fault"}\n',
    "lines-1130.csv": "site_id,at,checkin_line,scanner_line\nP01,2026-11-03T10:20:00,90,30\n",
    "outages-1130.csv": "outage_id,circuit,started_at,estimated_restoration_at,restored_at,customers\nO1,K1,2026-11-03T09:50:00,,,300\n",
    "milestones-1130.csv": "site_id,milestone,at,reported_by\nP01,open,2026-11-03T07:02:00,clerk\n",
    "reconcile-1130.csv": "site_id,checked_in,ballots_counted\nP01,700,699\n",
    "power-1130.txt": "10:10 Oxbow Library dark\n",
    "ballot-stock-1130.csv": "site_id,style,at,on_hand\nP01,A,2026-11-03T09:00:00,20\n",
}


def known(folder: Path, at: datetime):
    with read.Snapshot(open_book(folder).published) as snapshot:
        return read.known_at(read.read_rows(snapshot.con), at)


def test_rows_received_later_change_no_answer_about_an_earlier_time(
    write_day: Callable[..., Path], tmp_path: Path, now
):
    book = tmp_path / "book"
    run.take([write_day()], book, now)
    before = run.estimate_all(known(book, T))
    assert all(
        not before[what].is_empty() for what in ("lines", "outlook", "power", "repeats", "tickets", "milestones")
    )
    run.take([write_day(LATER)], book, now, received=None)
    late = write_day(
        dict.fromkeys(("county.toml", "sites.csv", "units.csv", "rovers.csv")) | LATER, "late", received=False
    )
    run.take([late], book, now, received=LATE)
    after = run.estimate_all(known(book, T))
    for what in ESTIMATES:
        assert_frame_equal(before[what], after[what], check_exact=True)
    assert not run.estimate_all(known(book, LATE))["reconciliation"].is_empty()


def test_the_order_of_taking_changes_no_answer(write_day: Callable[..., Path], tmp_path: Path, now):
    day = write_day(LATER)
    files = gather([day], now, LATE)
    answers = []
    for name, order in (("one", files), ("other", files[:1] + files[:0:-1])):
        book = open_book(tmp_path / name, create=True)
        with run.Writer(book, now) as writer:
            for file in order:
                writer.take([file], now)
            answers.append(run.estimate_all(read.known_at(writer.rows(), LATE)))
    for what in ESTIMATES:
        assert_frame_equal(answers[0][what], answers[1][what], check_exact=True)


def test_every_estimate_holds_its_contract_on_a_book_with_rosters_only(
    write_day: Callable[..., Path], tmp_path: Path, now
):
    feeds = ("tickets-0930.csv", "status-0910.jsonl", "lines-0930.csv", "power-0910.txt")
    run.take([write_day(dict.fromkeys(feeds))], tmp_path / "book", now)
    frames = run.estimate_all(known(tmp_path / "book", T))
    assert frames["tickets"].is_empty() and frames["dispatch"].is_empty()
    assert frames["lines"].height == 4 and frames["lines"].null_count().sum_horizontal()[0] == 0


def test_settings_are_logged_and_a_past_time_keeps_its_own(write_day: Callable[..., Path], tmp_path: Path, now):
    folder = tmp_path / "book"
    run.take([write_day()], folder, now)
    book = open_book(folder)
    name = "clocks.correct_above_minutes"
    default = known(folder, T).settings[name]
    book.settings.write_text("[clocks]\ncorrect_above_minutes = 9\n")
    run.take([write_day()], folder, now)
    assert known(folder, T).settings[name] == default and known(folder, now).settings[name] == 9
    book.settings.write_text("[clocks]\ncorrect_above_minutes = 'nine'\n")
    with pytest.raises(SettingsError, match="clocks.correct_above_minutes: 'nine' is not a number"):
        run.take([write_day()], folder, now)


def test_a_book_has_one_writer(write_day: Callable[..., Path], tmp_path: Path, now):
    run.take([write_day()], tmp_path / "book", now)
    book = open_book(tmp_path / "book")
    with Writing(book):
        assert is_held(book)
        with pytest.raises(BookBusy, match="another process is writing this book"):
            run.take([write_day()], tmp_path / "book", now)
    assert not is_held(book)


def test_a_snapshot_carries_the_log_and_the_newest_estimates(write_day: Callable[..., Path], tmp_path: Path, now):
    book = open_book(tmp_path / "book", create=True)
    with run.Writer(book, now) as writer:
        writer.take(gather([write_day()], now), now)
        made = writer.publish(T, now)
    with read.Snapshot(book.published) as snapshot:
        assert snapshot.meta() == {
            "version": log.verify(book.published).size,
            "published_at": now,
            "at": T,
            "lines_at": T,
            "rest_at": T,
        }
        for what in ESTIMATES:
            found = snapshot.estimate(what)
            assert found is not None and found.height == made[what].height
    assert not list(book.folder.glob(".publishing-*"))


def test_a_fault_in_one_estimate_costs_none_of_the_others(
    write_day, tmp_path: Path, now, monkeypatch: pytest.MonkeyPatch
):
    def broken(*_: object) -> pl.DataFrame:
        raise ZeroDivisionError("no stations")

    monkeypatch.setattr(reconciliation, "reconciliation", broken)
    book = open_book(tmp_path / "book", create=True)
    with run.Writer(book, now) as writer:
        writer.take(gather([write_day()], now), now)
        writer.publish(T, now)
    with read.Snapshot(book.published) as snapshot:
        assert snapshot.failed() == {"reconciliation": "ZeroDivisionError: no stations"}
        assert snapshot.estimate("reconciliation") is None and snapshot.estimate("lines") is not None


def test_nothing_is_known_before_the_county(write_day: Callable[..., Path], tmp_path: Path, now):
    run.take([write_day()], tmp_path / "book", now)
    with pytest.raises(BookEmpty, match="Take county.toml"):
        known(tmp_path / "book", datetime(2026, 11, 1, tzinfo=UTC))


def test_a_resent_roster_extends_the_hours_from_its_receipt(write_day: Callable[..., Path], tmp_path: Path, now):
    run.take([write_day()], tmp_path / "book", now)
    row = "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\nP01,Marlpit Grange,41.1,-93.5,07:00,21:00,700,2,10\n"
    extended = write_day({"sites-order.csv": row}, "order", received=False) / "sites-order.csv"
    run.take([extended], tmp_path / "book", now, received=LATE)
    closing = pl.col("site_id") == "P01"
    assert known(tmp_path / "book", T).sites.filter(closing)["closes"].to_list() == ["20:00"]
    assert known(tmp_path / "book", LATE).sites.filter(closing)["closes"].to_list() == ["21:00"]


def test_hours_extended_twice_count_by_the_order_received_last(write_day: Callable[..., Path], tmp_path: Path, now):
    run.take([write_day()], tmp_path / "book", now)
    head = "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    for hour, received in ((21, LATE), (22, LATE + HOUR), (21, LATE + 2 * HOUR)):  # the last one is the first, re-sent
        files = {f"sites-{received:%H}.csv": f"{head}P01,Marlpit Grange,41.1,-93.5,07:00,{hour}:00,700,2,10\n"}
        run.take(
            [write_day(files, "order", received=False) / next(iter(files))], tmp_path / "book", now, received=received
        )
    for hour, at in ((20, T), (21, LATE), (22, LATE + HOUR), (22, LATE + 3 * HOUR)):
        found = known(tmp_path / "book", at)
        assert found.sites.filter(site_id="P01")["closes"].to_list() == [f"{hour}:00"]
        assert run.estimate_all(found)["lines"].filter(site_id="P01").height == 2


def steps_known(book: Path, at: datetime) -> list[tuple[str, str]]:
    """A site's steps as known at a time, in the order of their own times."""
    steps = known(book, at).milestones.filter(site_id="P01").sort("at")
    return [(name, f"{when.astimezone(CHICAGO):%H:%M}") for name, when in steps.select("milestone", "at").iter_rows()]


def test_a_second_suspension_is_another_one_and_a_corrected_one_is_not(
    write_day: Callable[..., Path], tmp_path: Path, now
):
    book = tmp_path / "book"
    run.take([write_day({"milestones-0930.csv": "site_id,milestone,at\n"})], book, now)

    def take(received: datetime, *steps: tuple[str, str]) -> list[tuple[str, str]]:
        rows = "".join(f"P01,{name},2026-11-03T{clock}:00\n" for name, clock in steps)
        name = f"milestones-{received:%H%M}.csv"
        folder = write_day({name: "site_id,milestone,at\n" + rows}, f"at-{received:%H%M}", received=False)
        run.take([folder / name], book, now, received=received)
        return steps_known(book, received)

    first = [("suspended", "09:40"), ("resumed", "09:50")]
    assert take(LATE, ("suspended", "09:42"), first[1]) == [("suspended", "09:42"), first[1]]
    assert take(LATE + MINUTE, first[0]) == first  # no resumption lies between: its time is corrected
    second = [("suspended", "10:10"), ("resumed", "10:15")]
    assert take(LATE + HOUR, *first, *second) == first + second
    assert take(LATE + 2 * HOUR, *second, *first) == first + second  # taken again: nothing new
    assert steps_known(book, LATE + MINUTE) == first  # what was known before stays


def test_two_suspensions_of_one_export_are_both_known_whatever_its_order(
    write_day: Callable[..., Path], tmp_path: Path, now
):
    steps = [("suspended", "09:40"), ("resumed", "09:50"), ("suspended", "10:10"), ("resumed", "10:15")]
    for name, order in (("one", steps), ("other", steps[::-1])):
        rows = "".join(f"P01,{step},2026-11-03T{clock}:00\n" for step, clock in order)
        day = write_day({"milestones-0930.csv": "site_id,milestone,at\n" + rows}, f"day-{name}", received=False)
        run.take([day], tmp_path / name, now, received=LATE)
        assert steps_known(tmp_path / name, LATE) == steps


def test_a_countys_words_are_logged_and_a_past_time_keeps_its_own(write_day: Callable[..., Path], tmp_path: Path, now):
    folder = tmp_path / "book"
    run.take([write_day()], folder, now)
    book = open_book(folder)
    own = "[cues.seal]\n8 = 'wax dot'\n"
    book.vocabulary.write_text(own)
    run.take([write_day()], folder, now)
    assert known(folder, T).vocabulary == "" and known(folder, now).vocabulary == own
    book.vocabulary.write_text("[cues.weather]\n8 = 'rain'\n")
    with pytest.raises(SettingsError, match="cues.weather: not known"):
        run.take([write_day()], folder, now)


def test_words_that_a_book_begins_with_have_always_counted(write_day: Callable[..., Path], tmp_path: Path, now):
    folder = tmp_path / "book"
    folder.mkdir()
    (folder / "vocabulary.toml").write_text("[cues.seal]\n8 = 'wax dot'\n")
    run.take([write_day()], folder, now)
    assert "wax dot" in known(folder, T).vocabulary


def test_an_overlong_line_costs_its_row_and_its_original_is_whole(write_day, tmp_path: Path, now):
    long_line = "P01,2026-11-03T09:41:00," + "9" * (3 << 22) + "\n"
    text = "site_id,at,checkin_line\nP01,2026-11-03T09:40:00,3\n" + long_line + "P02,2026-11-03T09:42:00,4\n"
    day = write_day({"lines-0940.csv": text})
    receipts = {r.file: r for r in run.take([day], tmp_path / "book", now)}
    receipt = receipts["lines-0940.csv"]
    assert (receipt.read, receipt.accepted, receipt.quarantined) == (3, 2, 1)
    assert receipt.reasons[0]["row"] == 3 and "longer than" in receipt.reasons[0]["reason"]
    kept = (tmp_path / "book" / "originals" / sha256(text.encode()).hexdigest()).read_bytes()
    assert kept == text.encode()
    again = {r.file: r for r in run.take([day], tmp_path / "book", now)}["lines-0940.csv"]
    assert again.already_known == 3
