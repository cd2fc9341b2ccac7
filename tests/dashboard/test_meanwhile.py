"""While the first lines are being worked out every page says so, and shows what is known without them."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import meanwhile
from dashboard.navigation import VIEWS
from pipeline import run
from pipeline.store.book import open_book

APP = Path(dashboard.__file__).with_name("app.py")
AT = datetime(2026, 11, 3, 16, 10, tzinfo=UTC)
SAID = "The lines are being worked out"


@contextmanager
def awaiting(book: Path, is_early: bool = False) -> Iterator[None]:
    """A writer that has published what has come, or also what needs no lines, and is at work."""
    with run.Writer(open_book(book), AT) as writer:
        known = writer.known(AT)
        assert known is not None
        writer.show(run.awaited(known, next(run.estimate_in_turn(known)) if is_early else None), AT)
        yield


@pytest.fixture
def open_page(copied: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], AppTest]:
    def opened(file: str) -> AppTest:
        monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
        app = AppTest.from_file(str(APP), default_timeout=60).run()
        return app.switch_page(f"views/{file}.py").run()

    return opened


def said(app: AppTest) -> str:
    """All text of ours on the page."""
    return " ".join(str(element.proto.body) for element in app.get("html"))


def test_every_page_opens_and_says_that_the_lines_are_awaited(open_page: Callable[[str], AppTest], copied: Path):
    with awaiting(copied):
        for view in VIEWS.values():
            app = open_page(view.file)
            assert not app.exception and SAID in said(app), view.title
            assert "No line is open" not in said(app) and "sites likely over 30" not in said(app), view.title


def test_what_has_come_is_shown_meanwhile_danger_first(open_page: Callable[[str], AppTest], copied: Path):
    with awaiting(copied):
        text = said(open_page("now"))
    assert "sites in the roster" in text and "4</div>" in text  # tickets received
    assert "Open tickets, 3, the worst first" in text
    danger, jam = text.index("a power line is down across the driveway"), text.index("scanner is jammed, it takes")
    assert (
        text.index("No technician goes there") < danger < jam and "ballot stuck in the scanner" not in text
    )  # that one is resolved
    assert "“the yellow barn past the mill”" in text  # nobody recognises it


def test_until_the_words_are_learnt_calls_are_shown_as_they_came_with_the_caution(
    open_page: Callable[[str], AppTest], copied: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(meanwhile, "LEARNT", threading.Event())
    monkeypatch.setattr(meanwhile, "read_tickets", lambda *_: pytest.fail("the page waited"))
    with awaiting(copied):
        text = said(open_page("now"))
    assert "the newest first: they are not yet read for danger" in text and "Not yet read" in text
    assert "No technician goes there" in text and "a power line is down across the driveway" in text


def test_what_needs_no_lines_is_shown_as_soon_as_it_is_there(open_page: Callable[[str], AppTest], copied: Path):
    with awaiting(copied, is_early=True):
        app = open_page("opening_closing")
        assert not app.exception and SAID in said(app) and "sites in the roster" not in said(app)


def test_once_the_lines_are_there_nothing_says_that_they_are_awaited(open_page: Callable[[str], AppTest], copied: Path):
    with awaiting(copied):
        pass
    with run.Writer(open_book(copied), AT) as writer:
        writer.publish(AT, AT)
        assert SAID not in said(open_page("now")) and "sites likely over 30" in said(open_page("now"))


def test_once_the_words_are_learnt_calls_are_read():
    meanwhile.learn("")
    assert meanwhile.LEARNT.is_set()
