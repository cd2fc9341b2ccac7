"""How often pages are drawn anew while many look on."""

import pytest

from dashboard.pace import GONE_SECONDS, LONGEST_SECONDS, Pace


def looked_at(sessions: int, cost: float) -> Pace:
    pace = Pace(cost=cost)
    for k in range(sessions):
        pace.note_look(f"session {k}", 0.0)
    return pace


def test_a_few_who_look_on_see_news_at_once():
    assert looked_at(8, 0.04).interval() == 0.0


def test_many_who_look_on_share_half_a_processor():
    assert looked_at(50, 0.04).interval() == pytest.approx(50 * 0.04 / 0.5)


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
