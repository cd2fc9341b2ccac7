"""The demo day: the same bytes from every run, and what its README promises is in its feeds."""

import csv
import json
import re
import tomllib
from hashlib import sha256
from pathlib import Path

import pytest

from demo_data.simulation import places, staged, texts
from demo_data.simulation.make import run_day
from demo_data.simulation.truth import wait_at
from pipeline.contracts.words import TICKET_CATEGORIES

DAY = Path(__file__).parents[2] / "demo_data" / "day"
LARGEST = 15_000_000  # bytes; our choice, so that a clone stays small


@pytest.fixture(scope="module")
def made():
    """The day, run again."""
    return run_day()


@pytest.fixture(scope="module")
def last_tickets():
    """The last ticket export."""
    return rows(max(DAY.glob("tickets-*.csv")))


def rows(path):
    """A CSV file's rows."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def all_rows(pattern):
    """The rows of all files of a pattern, in the order of their names."""
    return [row for path in sorted(DAY.glob(pattern)) for row in rows(path)]


def test_a_run_gives_the_committed_files_byte_for_byte(made, tmp_path):
    made.folder.write(tmp_path)
    again = {p.name: sha256(p.read_bytes()).hexdigest() for p in tmp_path.iterdir()}
    committed = {p.name: sha256(p.read_bytes()).hexdigest() for p in DAY.iterdir()}
    assert again == committed


def test_writing_removes_only_files_of_an_earlier_making(made, tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    (tmp_path / "old.csv").write_text("made before")
    (tmp_path / "received.csv").write_text("file,received_at\nold.csv,2026-11-03T08:00:00-05:00\n../mine.csv,x\n")
    made.folder.write(tmp_path)
    assert (tmp_path / "mine.txt").read_text() == "keep"
    assert not (tmp_path / "old.csv").exists()


def test_the_day_is_small_enough_for_a_repository():
    assert sum(p.stat().st_size for p in DAY.iterdir()) < LARGEST


def test_every_file_has_a_receipt_and_every_receipt_a_file():
    listed = [row["file"] for row in rows(DAY / "received.csv")]
    assert sorted(listed) == sorted(p.name for p in DAY.iterdir() if p.name != "received.csv")


def test_telephone_numbers_are_reserved_for_fiction():
    # 555-0100 to 555-0199 are set aside for fictional use in the North American Numbering Plan (from memory)
    text = "".join(p.read_text(encoding="utf-8") for p in DAY.iterdir() if not p.name.startswith("status"))
    numbers = re.findall(r"\b\d{3}-\d{4}\b", text)
    assert len(numbers) > 60
    assert all(number.startswith("555-01") for number in numbers)


def test_every_category_of_ticket_occurs(made):
    assert {t.category for t in made.hotline.tickets} == set(TICKET_CATEGORIES)


def test_every_category_has_its_own_sentences():
    assert set(texts.TEXTS) == set(texts.RESOLUTIONS) == set(TICKET_CATEGORIES)
    every = [text for deck in texts.TEXTS.values() for text in deck]
    assert len(every) == len(set(every))


def test_sixty_sites_in_one_zone():
    assert len(rows(DAY / "sites.csv")) == 60
    assert tomllib.loads((DAY / "county.toml").read_text())["zone"] == places.ZONE


def test_voters_are_accounted_for_at_every_site(made):
    # Identity of the contract: checked_in = ballots_counted + emergency_counted + left; issued = checked_in + spoiled
    for site in made.engine.sites:
        counted = sum(unit.counted for unit in site.of_type("scan-single"))
        assert site.counts["checked_in"] == counted + site.emergency + site.counts["left"]
        assert site.counts["issued"] == site.counts["checked_in"] + site.counts["spoiled"]
        assert (len(site.checkin_line), len(site.scan_line), site.inside) == (0, 0, 0)


def test_only_the_staged_sites_break_the_identity():
    broken = {
        row["site_id"]
        for row in rows(max(DAY.glob("reconcile-*.csv")))
        if int(row["checked_in"]) != int(row["ballots_counted"]) + int(row["emergency_counted"]) + int(row["left"])
    }
    staged_mistakes = {staged.EMERGENCY_NOT_ADDED, staged.RESCANNED, staged.PROVISIONAL_COUNTED}
    assert broken == staged_mistakes | {staged.POLL_BOOK_BEHIND, staged.UNEXPLAINED}


def test_at_half_past_ten_a_storm_begins_and_a_line_is_long(made):
    first = rows(DAY / "outages-1103-1020.csv")
    assert [(r["circuit"], r["started_at"], r["restored_at"]) for r in first] == [("WEX-1", "2026-11-03T15:08:00Z", "")]
    waiting = {(s, line): n for s, line, at, n, _ in made.engine.lines if at == 630}
    assert 55 <= waiting["P134", "checkin"] <= 80
    assert waiting["P157", "scanner"] >= 30


def test_estimates_of_restoration_change():
    promised = {(r["outage_id"], r["estimated_restoration_at"]) for r in all_rows("outages-*.csv")}
    by_outage = {outage: {p for o, p in promised if o == outage and p} for outage, _ in promised}
    assert len(by_outage) == 3
    assert all(len(times) >= 2 for times in by_outage.values())


def test_the_jamming_scanner_jams_more_often_than_the_standard_allows(made):
    # VVSG 2.0 (EAC, 2021) 1.2-G: misfeeds and jams together at most 1 in 500
    bad = made.engine.by_id[staged.JAMMER].of_type("scan-single")[1]
    assert (bad.jams + bad.misfeeds) / bad.counted > 10 / 500


def test_the_bin_fills_before_closing(made):
    unit = made.engine.by_id[staged.FULL_BIN].of_type("scan-single")[0]
    assert unit.counted > int(unit.row["bin_capacity"])
    assert [t.true_unit for t in made.hotline.tickets if t.category == "bin-full"] == [unit.unit_id]


def test_custody_of_the_media_has_a_gap_at_one_site_and_a_wrong_seal_at_another():
    steps = {(r["site_id"], r["milestone"]): r for r in all_rows("milestones-*.csv")}
    gaps, seals = set(), set()
    for site, milestone in steps:
        if milestone == "media-received":
            handed, received = steps[site, "media-handed-over"], steps[site, "media-received"]
            gaps |= {site} if handed["to"] != received["from"] else set()
            seals |= {site} if steps[site, "media-sealed"]["seal_out"] != received["seal_in"] else set()
    assert (gaps, seals) == ({staged.CUSTODY_GAP}, {staged.SEAL_MISMATCH})


def test_custody_goes_on_after_midnight_and_one_container_never_arrives():
    received = {(r["site_id"], r["milestone"]): r["at"] for r in all_rows("milestones-*.csv")}
    late = {site for (site, step), at in received.items() if step == "media-received" and at > "2026-11-04"}
    assert late == set(staged.STAYED_LATE)
    assert ("P147", "provisional-handed-over") in received
    assert ("P147", "provisional-received") not in received


def test_one_unit_is_an_hour_ahead_and_poll_books_send_local_times(made):
    ahead = [u.unit_id for s in made.engine.sites for u in s.units if u.skew > 55]
    sent = [json.loads(line) for line in (DAY / "status-1103-1200.jsonl").read_text().splitlines()]
    assert [r["at"][11:13] for r in sent if r["unit_id"] in ahead] == ["12"]
    books = [r["at"] for r in sent if r["unit_id"].startswith("PB")]
    assert books and all(len(at) == len("2026-11-03T12:00:00") for at in books)


def test_exports_are_cumulative_and_states_only_move_on():
    order = {"open": 0, "assigned": 1, "resolved": 2}
    before: dict[str, int] = {}
    for path in sorted(DAY.glob("tickets-*.csv")):
        now = {row["ticket_id"]: order[row["status"]] for row in rows(path)}
        assert before.keys() <= now.keys()
        assert all(now[ticket] >= state for ticket, state in before.items())
        before = now
    assert set(before.values()) == {2}


def test_rovers_are_sent_and_arrive(last_tickets):
    visited = [t for t in last_tickets if t["rover_id"]]
    assert {t["rover_id"] for t in visited} == {f"RV-{n}" for n in range(1, 7)}
    assert all(t["opened_at"] <= t["assigned_at"] <= t["arrived_at"] <= t["resolved_at"] for t in visited)


def test_hours_extended_by_order_come_as_a_roster_row():
    (row,) = rows(DAY / "sites-1103-1510.csv")
    assert (row["site_id"], row["closes"]) == (staged.LATE_OPENING, staged.EXTENDED_TO)


def test_arrivals_follow_the_published_hours(made):
    # Stewart 2015, Table 3 (2012 survey): share of arrivals by hour [%]; "before 8" is the hour from 7 here
    published = {7: 15.6, 8: 8.7, 9: 9.5, 10: 11.2, 11: 8.7, 12: 5.4, 13: 7.2, 14: 6.7, 15: 6.3, 16: 6.7, 17: 6.8}
    joins = [
        now
        for (_, line), notes in made.engine.trace.items()
        if line == "checkin"
        for now, what, _ in notes
        if what == "join"
    ]
    by_hour = {hour: sum(hour * 60 <= now < (hour + 1) * 60 for now in joins) for hour in published}
    within = sum(now >= 420 for now in joins)
    assert within > 30_000
    for hour, percent in published.items():
        assert 100 * by_hour[hour] / within == pytest.approx(percent, rel=0.07)


def test_a_newcomers_wait_in_a_single_server_line():
    # By hand: A joins at 0, is called at 0; B joins at 1, called at 5; C joins at 6, called at 9; idle from 12
    called, joined = [0, 5, 9, 12], [0, 1, 6, 12]
    assert wait_at(called, joined, 3) == 6  # takes the turn that C had: called at 9
    assert wait_at(called, joined, 6.5) == 5.5  # nobody came later: called when the server is idle, at 12
    assert wait_at(called, joined, 13) is None
