"""How often pages are drawn anew while many look on."""

import threading
import time

import pytest
from streamlit.runtime.scriptrunner import StopException

from dashboard.pace import GONE_SECONDS, LONGEST_SECONDS, LOOK_EVERY_SECONDS, SHARE, Pace, Turns

PATIENCE_SECONDS = 60.0


def looked_at(sessions: int, cost: float) -> Pace:
    pace = Pace(cost=cost)
    for k in range(sessions):
        pace.note_look(f"session {k}", 0.0)
    return pace


def test_a_few_who_look_on_see_news_at_once():
    assert looked_at(8, 0.04).interval() == 0.0


def test_many_who_look_on_share_a_part_of_a_processor():
    assert looked_at(50, 0.04).interval() == pytest.approx(50 * 0.04 / SHARE)


def test_nobody_waits_longer_than_the_longest():
    assert looked_at(5_000, 0.2).interval() == LONGEST_SECONDS


def test_who_has_gone_does_not_slow_the_others():
    pace = looked_at(50, 0.04)
    pace.note_look("session 0", GONE_SECONDS + 1)
    assert pace.interval() == 0.0


def test_the_cost_of_a_drawing_follows_what_drawings_cost():
    pace = Pace()
    for _ in range(30):
        pace.note_drawing(0.05)
    assert pace.cost == pytest.approx(0.05, rel=0.01)


def test_a_page_is_drawn_anew_at_the_look_that_is_nearest_to_its_time():
    pace = looked_at(50, 0.04)
    nearest = pace.interval() - LOOK_EVERY_SECONDS / 2
    assert not pace.is_due(nearest - 0.01) and pace.is_due(nearest)


def test_no_more_pages_are_drawn_anew_at_once_than_there_are_turns():
    turns = Turns(at_once=1, patience=PATIENCE_SECONDS)
    order: list[str] = []

    def draw(name: str) -> None:
        with turns.taken():
            order.append(f"{name} begins")
            time.sleep(0.05)
        order.append(f"{name} ends")
        turns.end()

    threads = [threading.Thread(target=draw, args=(name,)) for name in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [what[2:] for what in order] == ["begins", "ends", "begins", "ends"]


def test_a_session_that_ends_while_it_waits_keeps_no_turn():
    turns = Turns(at_once=1, patience=0.0)
    with pytest.raises(StopException), turns.taken():
        raise StopException
    with turns.taken():
        assert turns._mine.is_held


def test_who_is_not_given_a_turn_for_long_draws_without_one():
    turns, gone = Turns(at_once=1, patience=0.01), threading.Event()
    other = threading.Thread(target=lambda: turns.taken().__enter__() or gone.set())
    other.start()
    assert gone.wait(PATIENCE_SECONDS)
    with turns.taken():
        assert not turns._mine.is_held
    turns.end()


def test_a_run_that_asks_twice_has_one_turn():
    turns = Turns(at_once=2, patience=0.0)
    with turns.taken(), turns.taken():
        pass
    turns.end()
    assert [turns._free.acquire(blocking=False) for _ in range(3)] == [True, True, False]
