"""What is pressed on the board becomes entries in the inbox, with who and when, and waits for its receipt."""

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import acting, entering
from pipeline.run import Writer
from pipeline.store import read
from pipeline.store.book import Book, open_book
from pipeline.watch import Watcher

APP = Path(dashboard.__file__).with_name("app.py")
NOW = datetime(2026, 11, 4, 18, 5, tzinfo=UTC)  # the small county's book was published five minutes before


@pytest.fixture
def app(copied: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
    return AppTest.from_file(str(APP), default_timeout=120).run()


def said(app: AppTest) -> str:
    return " ".join(str(element.proto.body) for element in app.get("html"))


def left(book: Path) -> list[dict]:
    paths = sorted(Book(book).inbox.glob("entries-board-*.jsonl"))
    return [json.loads(line) for path in paths for line in path.read_text().splitlines()]


def box(app: AppTest, label: str):
    return next(field for field in app.text_input if field.label == label)


def press(app: AppTest, label: str) -> AppTest:
    return next(b for b in app.button if b.label == label).click().run()


def test_without_a_name_nothing_is_kept(app: AppTest, copied: Path):
    app = press(app, "911 called")
    assert not app.exception and left(copied) == []
    assert any("who you are" in toast.value for toast in app.toast)


def test_one_press_keeps_an_entry_that_waits_and_then_has_its_receipt(app: AppTest, copied: Path):
    app = box(app, "Who enters").set_value("Ada Finch").run()
    app = press(app, "911 called")
    entries = left(copied)
    assert [(e["by"], e["action"], e["target"]) for e in entries] == [("Ada Finch", "note", "Q-702")]
    assert json.loads(entries[0]["values"])["item"] == "danger|Q-702"
    assert "waits for its receipt" in said(app)
    with Writer(open_book(copied), NOW) as writer:
        Watcher(writer, [], [], lambda _line: None).round(NOW)
    assert left(copied) == []
    app = app.run()
    assert "waits for its receipt" not in said(app)
    assert "911, the site and the election official have been called" in said(app)


def test_danger_cannot_be_put_aside_and_other_lines_only_with_a_reason(app: AppTest, copied: Path):
    app = box(app, "Who enters").set_value("Ada Finch").run()
    keys = [str(b.key) for b in app.button if b.label == "Put aside for two hours"]
    assert keys and not any("danger|" in key for key in keys)
    assert all(b.disabled for b in app.button if b.label == "Put aside for two hours")
    place = keys[0].removeprefix("aside-")
    why = next(f for f in app.text_input if f.key == f"aside-why-{place}")
    app = why.set_value("the chief is there").run()
    app = next(b for b in app.button if b.key == keys[0]).click().run()
    entry = left(copied)[0]
    assert (entry["action"], json.loads(entry["values"])["why"]) == ("dismiss", "the chief is there")
    assert "1 put aside" in said(app)


def test_in_the_past_nothing_can_be_entered(copied: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
    app = AppTest.from_file(str(APP), default_timeout=120)
    app.query_params["at"] = "2026-11-03T10:05:00-06:00"
    app = app.run().switch_page("views/call.py").run()
    assert "This is a past moment" in said(app) and not app.exception
    assert [b.label for b in app.button if b.label.startswith("Save")] == []


def receipts(*minutes: float) -> pl.DataFrame:
    times = [NOW - timedelta(minutes=m) for m in minutes]
    return pl.DataFrame({"kind": "status", "received_at": times, "refused": [None] * len(times)})


def test_a_feed_is_quiet_after_three_of_its_usual_gaps_and_half_an_hour():
    assert list(acting.quiet_feeds(receipts(70, 60, 50, 40), NOW)) == [("status", NOW - timedelta(minutes=40), 10.0)]
    assert list(acting.quiet_feeds(receipts(50, 40, 30, 20), NOW)) == []
    assert list(acting.quiet_feeds(receipts(29, 28, 27, 26), NOW)) == []
    assert list(acting.quiet_feeds(receipts(300, 40), NOW)) == []  # too few to have a usual gap


def test_a_place_marked_cleared_is_a_danger_no_more(copied: Path, monkeypatch: pytest.MonkeyPatch):
    at = {"at": "2026-11-04T11:59:00-06:00", "by": "Ada Finch"}
    entries = [
        at | {"entry_id": "e-1", "action": "ticket-read", "target": "Q-702", "values": '{"site_id":"P03"}'},
        at | {"entry_id": "e-2", "action": "danger-cleared", "target": "P03"},
    ]
    monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
    told = []
    for entry in entries:
        (Book(copied).inbox / f"entries-{entry['entry_id']}.jsonl").write_text(json.dumps(entry) + "\n")
        with Writer(open_book(copied), NOW) as writer:
            Watcher(writer, [], [], lambda _line: None).round(NOW)
        told.append("danger to people" in said(AppTest.from_file(str(APP), default_timeout=120).run()))
    assert told == [True, False]


def test_a_rover_whose_own_stop_is_in_danger_is_told_to_stay_away_and_has_no_buttons(
    copied: Path, monkeypatch: pytest.MonkeyPatch
):
    at = {"at": "2026-11-04T11:59:00-06:00", "by": "Ada Finch"}
    given = '{"status":"assigned","rover_id":"R2","assigned_at":"2026-11-04T11:58:00-06:00"}'
    entries = [
        at | {"entry_id": "e-1", "action": "ticket-read", "target": "Q-702", "values": '{"site_id":"P03"}'},
        at | {"entry_id": "e-2", "action": "ticket-state", "target": "Q-702", "values": given},
        at | {"entry_id": "e-3", "action": "danger-cleared", "target": "P03"},
    ]
    monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
    told = []
    for taken in (entries[:2], entries[2:]):
        text = "".join(json.dumps(entry) + "\n" for entry in taken)
        (Book(copied).inbox / f"entries-{taken[0]['entry_id']}.jsonl").write_text(text)
        with Writer(open_book(copied), NOW) as writer:
            Watcher(writer, [], [], lambda _line: None).round(NOW)
        app = AppTest.from_file(str(APP), default_timeout=120)
        app.query_params["rover"] = "R2"
        app.run()
        told.append(("Do not go there" in said(app), "On my way" in [b.label for b in app.button]))
    assert told == [(True, False), (False, True)]


def test_a_call_that_tells_of_danger_asks_for_911_before_anything_else(app: AppTest):
    app = app.switch_page("views/call.py").run()
    page = said(box(app, "What the caller says").set_value("there is smoke coming from the scanner").run())
    assert "Ask and do: danger to people" in page and "Has 911 been called?" in page
    assert page.index("Danger first: call 911") < page.index("Has 911 been called?")


def test_an_entry_is_told_in_words_without_the_keys_that_link_it():
    values = {
        "text": "called: is it open?",
        "item": "door|P01",
        "what": "Alder Hall: not reported open",
        "rover_id": None,
    }
    told = entering.Told("e-1", NOW, "you, Dana", "note", "P01", values, "✓")
    assert entering.in_words(told) == "called: is it open?; on: Alder Hall: not reported open"


def test_an_alarm_without_a_value_is_not_set(app: AppTest, copied: Path):
    app = box(app, "Who enters").set_value("Ada Finch").run().switch_page("views/alarms.py").run()
    box(app, "Name of the alarm").set_value("Long waits")
    app = press(app, "Set the alarm")
    assert "Still needed: the value" in said(app) and not left(copied)
    next(field for field in app.number_input if field.label == "this value").set_value(30.0)
    app = press(app, "Set the alarm")
    (entry,) = left(copied)
    values = json.loads(entry["values"])
    assert (entry["target"], values["column"], values["threshold"]) == ("Long waits", "wait_minutes_median", 30.0)


TRICKS = "🗳 =1+1 <script>alert(1)</script> <b>jammed</b> "


def test_ten_thousand_letters_of_anything_are_kept_whole_and_shown_as_text(app: AppTest, copied: Path):
    text = (TRICKS + "the scanner is jammed " * 500)[:10_000].strip()
    app = box(app, "Who enters").set_value("Ada Finch").run().switch_page("views/call.py").run()
    app = next(s for s in app.selectbox if s.label.startswith("Place")).set_value("Larkspur Library (P02)").run()
    app = box(app, "What the caller says").set_value(text).run()
    app = press(app, "Save the call")
    assert not app.exception
    (entry,) = left(copied)
    assert json.loads(entry["values"])["text"] == text
    with Writer(open_book(copied), NOW) as writer:
        Watcher(writer, [], [], lambda _line: None).round(NOW)
        kept = writer.known(NOW).tickets.filter(pl.col("ticket_id") == entry["target"])["text"].to_list()
    assert len(kept) == 1 and kept[0].startswith(TRICKS)
    app = app.run()
    assert not app.exception and "<script>" not in said(app) and "&lt;script&gt;" in said(app)


def test_with_the_writer_gone_the_board_says_since_when_and_keeps_what_is_entered(app: AppTest, copied: Path):
    away = datetime.now(UTC) - timedelta(minutes=20)
    os.utime(Book(copied).published, (away.timestamp(), away.timestamp()))
    app = box(app, "Who enters").set_value("Ada Finch").run()
    app = press(app, "911 called").run()
    assert "The writer is away" in said(app) and "1 entry waits in the inbox" in said(app)
    assert "10:05 CST" in said(app)  # the last known state, with its own time
    assert len(left(copied)) == 1


def test_two_people_on_one_ticket_see_each_others_words_and_neither_loses_any(
    copied: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
    both = []
    for name in ("Ada Finch", "Lou Marsh"):
        app = AppTest.from_file(str(APP), default_timeout=120).run().switch_page("views/tickets.py").run()
        app = box(app, "Who enters").set_value(name).run()
        both.append(next(s for s in app.selectbox if s.label == "Open a ticket").set_value("Q-701").run())
    notes = ("tried the other tray", "they ask for two people")
    for app, note in zip(both, notes, strict=True):
        box(app, "Note").set_value(note)
        press(app, "Add the note")  # a form that was drawn before the other's note
    with Writer(open_book(copied), NOW) as writer:
        Watcher(writer, [], [], lambda _line: None).round(NOW)
    for app in both:
        text = said(app.run())
        assert not app.exception
        assert all(note in text for note in notes)


FOREIGN = (  # lines that some other program left among the entries
    b'{"entry_id": "x1", "at": "2026-11-04T18:01:00Z", "by": "Bo Wren", "action": "note", "target": "P01", "values": {"text": "hm"}}',
    b'{"entry_id": "x2", "at": "yesterday", "target": 7, "values": [1]}',
    b'{"entry_id": 3, "at": null}',
    b'["no", "entry"]',
    b'{"entry_id": "x4", "at": "2026-11-0',
    b"\xff\xfe\x00",
)


@pytest.mark.parametrize("view", ["now", "call", "tickets", "site", "intake"])
def test_what_another_program_leaves_among_the_entries_takes_no_page_away(app: AppTest, copied: Path, view: str):
    (Book(copied).inbox / "entries-board-foreign.jsonl").write_bytes(b"\n".join(FOREIGN))
    app = app.switch_page(f"views/{view}.py").run()
    assert not app.exception
    with Writer(open_book(copied), NOW) as writer:
        Watcher(writer, [], [], lambda _line: None).round(NOW)
        assert "x1" in writer.known(NOW).entries["entry_id"].to_list()
    with read.Snapshot(Book(copied).published) as snapshot:
        told = read.receipts_at(snapshot.con, NOW).filter(pl.col("file") == "entries-board-foreign.jsonl").to_dicts()
    assert [(r["read"], r["accepted"], r["quarantined"]) for r in told] == [(len(FOREIGN), 1, len(FOREIGN) - 1)]
    assert not app.run().exception
