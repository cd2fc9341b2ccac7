"""What is new is read and worked out before it is shown."""

import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import ahead, data
from dashboard.ahead import GIVE_BACK_SECONDS, WANTED_SECONDS, Reader
from dashboard.data import Picture, once
from dashboard.navigation import VIEWS
from pipeline.errors import BookEmpty
from pipeline.store.book import Book

PATIENCE_SECONDS = 60.0


@pytest.fixture
def newest(copied: Path, monkeypatch: pytest.MonkeyPatch) -> data.Newest:
    """What a board of a copy of the small county shows, with a reader at work."""
    monkeypatch.setenv(data.ENVIRONMENT, str(copied))
    found = data.Newest()
    found.is_read_ahead = True
    monkeypatch.setattr(data, "NEWEST", found)
    return found


def publish_again(book: Path) -> None:
    os.utime(Book(book).published)


def test_what_was_asked_of_a_snapshot_is_worked_out_of_the_next_before_that_is_shown(newest, copied: Path):
    shown_then: list[object] = []

    @once
    def sites(picture: Picture) -> int:
        shown_then.append(newest.ready())
        return picture.known.sites.height

    reader = Reader()
    reader.look(0.0)
    first = newest.ready()
    assert sites(data.current(None)) == 3
    publish_again(copied)
    reader.look(1.0)
    assert newest.ready() is not first and shown_then == [first, first]
    assert sites(data.current(None)) == 3 and len(shown_then) == 2


def test_what_is_kept_of_a_page_for_the_next_moment_keeps_none_of_this_one(copied: Path, monkeypatch):
    """The functions of a page live in the names of its run: were a moment among them, each would keep the one before."""
    monkeypatch.setenv(data.ENVIRONMENT, str(copied))
    app = AppTest.from_file(str(Path(dashboard.__file__).with_name("app.py")), default_timeout=120).run()
    for view in VIEWS.values():
        app.switch_page(f"views/{view.file}.py").run()
    asked = [found.work_out.__wrapped__.__globals__ for found in data.NEWEST.get().present.asked.values()]
    pages = [names for names in asked if "/views/" in names["__file__"]]
    assert len(pages) >= 10
    assert not [names["__file__"] for names in pages if any(isinstance(value, Picture) for value in names.values())]


def test_what_nobody_asks_for_any_more_is_not_worked_out(newest, copied: Path):
    made: list[Picture] = []

    @once
    def noted(picture: Picture) -> None:
        made.append(picture)

    reader = Reader()
    reader.look(0.0)
    noted(data.current(None))
    for now in (1.0, 2.0, WANTED_SECONDS + 2.0):
        publish_again(copied)
        reader.look(now)
    assert len(made) == 3  # when it was asked for, and for two snapshots after


def test_a_fault_in_what_is_worked_out_keeps_no_snapshot_back(newest, copied: Path):
    @once
    def faulty(picture: Picture) -> None:
        raise ValueError

    reader = Reader()
    reader.look(0.0)
    first = newest.ready()
    with pytest.raises(ValueError):
        faulty(data.current(None))
    publish_again(copied)
    reader.look(1.0)
    assert newest.ready() is not first


def test_until_a_reader_has_something_a_session_reads_for_itself(newest, tmp_path: Path, monkeypatch):
    assert newest.ready() is None and data.current(None).known.sites.height == 3
    monkeypatch.setenv(data.ENVIRONMENT, str(tmp_path))
    with pytest.raises(BookEmpty):
        Reader().look(0.0)
    with pytest.raises(BookEmpty):
        data.current(None)


def test_a_page_does_not_wait_for_what_only_another_shows(newest):
    begun, may_end = threading.Event(), threading.Event()

    @once
    def slow(picture: Picture) -> None:
        begun.set()
        may_end.wait(PATIENCE_SECONDS)

    @once
    def quick(picture: Picture) -> int:
        return picture.known.sites.height

    picture = data.current(None)
    other = threading.Thread(target=slow, args=(picture,))
    other.start()
    assert begun.wait(PATIENCE_SECONDS) and quick(picture) == 3 and other.is_alive()
    may_end.set()
    other.join()


def sites_told_to(made: list[Picture]) -> Callable[[Picture], int]:
    """What counts a picture's sites once, and tells of which picture it did."""

    @once
    def sites(picture: Picture) -> int:
        made.append(picture)
        return picture.known.sites.height

    return sites


def test_a_moment_that_is_no_longer_the_newest_keeps_only_what_cannot_be_worked_out_again(newest, copied: Path):
    made: list[Picture] = []
    sites = sites_told_to(made)
    reader = Reader()
    reader.look(0.0)
    held = data.current(None)
    known, frames = held.known, dict(held.frames)
    assert sites(held) == 3
    publish_again(copied)
    reader.look(1.0)
    assert not held.kept and not held.asked and data.current(None).kept
    assert held.known is known and held.frames.keys() == frames.keys()
    # A screen that holds it has it worked out anew.
    assert sites(held) == 3 and sum(picture is held for picture in made) == 2


def test_what_a_drawing_works_with_stays_until_it_ends_and_is_not_worked_out_twice(newest, copied: Path):
    made: list[Picture] = []
    sites = sites_told_to(made)
    reader = Reader()
    reader.look(0.0)
    old = data.current(None)
    with old.drawn():
        assert sites(old) == 3
        publish_again(copied)
        reader.look(1.0)
        assert data.current(None) is not old
        assert sites(old) == 3 and sum(picture is old for picture in made) == 1
    assert not old.kept


def test_of_a_moment_that_is_over_only_one_that_somebody_holds_keeps_what_is_worked_out(newest, copied: Path):
    @once
    def sites(picture: Picture) -> int:
        return picture.known.sites.height

    old = data.current(None)
    old.let_go()
    with old.drawn():
        sites(old)
    assert not old.kept
    with old.drawn(is_held=True):
        sites(old)
    assert old.kept


def test_freed_memory_is_given_back_with_new_moments_and_not_at_each(newest, copied: Path, monkeypatch):
    given: list[float] = []
    reader = Reader()
    reader.look(0.0)
    for now in (1.0, GIVE_BACK_SECONDS, GIVE_BACK_SECONDS + 1.0):
        monkeypatch.setattr(ahead, "give_back", lambda now=now: given.append(now))
        publish_again(copied)
        reader.look(now)
    assert given == [GIVE_BACK_SECONDS]


def test_none_is_an_answer_that_is_kept(newest):
    made: list[Picture] = []

    @once
    def nothing(picture: Picture) -> None:
        made.append(picture)

    picture = data.current(None)
    assert nothing(picture) is None and nothing(picture) is None and len(made) == 1
