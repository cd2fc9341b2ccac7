"""A replay that begins at a checkpoint gives the very numbers of one that begins before opening."""

from datetime import timedelta

import numpy as np
import pytest

from pipeline.contracts import events
from pipeline.contracts.known import empty
from pipeline.estimates.lines import checkpoints, countyday, halves, lines
from pipeline.estimates.lines.checkpoints import Checkpoint, Shelf

FEW = {"lines.particles": 60.0}
UNITS = {"SC1": "S1", "SC2": "S2", "SC3": "S2"}
MOMENTS = (60, 31, 15, 8, 0)  # minutes before noon at which is asked; the places open at seven


@pytest.fixture(autouse=True)
def bare():
    """No test finds what another has kept."""
    checkpoints.SHELF.clear()


@pytest.fixture
def begun(monkeypatch) -> list[int]:
    """The column at which each site's replay began, newest replay last."""
    found: list[int] = []
    newest = checkpoints.newest

    def spy(marks):
        column, point = newest(marks)
        found.append(column)
        return column, point

    monkeypatch.setattr(checkpoints, "newest", spy)
    return found


def quarter_hours(gear, late: dict[tuple[str, float], float] | None = None) -> list[dict]:
    """A report of every unit each quarter of an hour, received five minutes later, or as late as `late` says."""
    rows = [
        gear.report(unit, ago, sequence=k, ballots_counted=int(0.5 * (300 - ago)) + 7 * (k // 5))
        for unit in UNITS
        for k, ago in enumerate(range(300, -1, -15))
    ]
    ago = {row["sequence"]: 300.0 - 15 * row["sequence"] for row in rows}
    return [
        row
        | {"received_at": row["at"] + timedelta(minutes=(late or {}).get((row["unit_id"], ago[row["sequence"]]), 5))}
        for row in rows
    ]


def state(gear, ago: float, rows: list[dict], **more) -> np.ndarray:
    """The particles so many minutes before noon."""
    at = gear.ago(ago)
    units = [gear.unit(unit, site) for unit, site in UNITS.items()]
    counts = [{"site_id": "S2", "at": gear.ago(100), "checkin_line": 9.0, "received_at": gear.ago(95)}]
    known = gear.known(
        at=at, units=units, status=[row for row in rows if row["received_at"] <= at],
        line_counts=[row for row in counts if row["received_at"] <= at], settings=FEW | more,
    )  # fmt: skip
    return lines.line_states(known, empty(events.TicketReadings), empty(events.SupplyStates)).state


def cold(gear, ago: float, rows: list[dict], **more) -> np.ndarray:
    checkpoints.SHELF.clear()
    return state(gear, ago, rows, **more)


def test_one_moment_after_the_other_gives_the_numbers_of_each_by_itself(gear, begun):
    rows = quarter_hours(gear)
    alone = [cold(gear, ago, rows) for ago in MOMENTS]
    assert set(begun) == {0}
    checkpoints.SHELF.clear()
    begun.clear()
    for ago, expected in zip(MOMENTS, alone, strict=True):
        assert np.array_equal(state(gear, ago, rows), expected), ago
    assert begun[:2] == [0, 0] and min(begun[-2:]) >= 240  # of the 360 minutes since an hour before opening


def test_the_past_asked_for_after_the_present_has_its_own_numbers(gear):
    rows = quarter_hours(gear)
    expected = cold(gear, 60, rows)
    checkpoints.SHELF.clear()
    state(gear, 0, rows)
    assert np.array_equal(state(gear, 60, rows), expected)


@pytest.mark.parametrize("ago", [30.0, 90.0, 240.0])
def test_a_late_row_rewinds_its_site_to_the_checkpoint_before_it(gear, begun, ago):
    rows = quarter_hours(gear, {("SC1", ago): ago - 4})  # received four minutes before noon
    state(gear, 5, rows)
    begun.clear()
    warm = state(gear, 3, rows)
    assert begun[0] <= 300 + lines.LEAD - ago  # S1: its counter is now known then
    assert begun[1] > 0  # S2 goes on from where it was
    assert np.array_equal(warm, cold(gear, 3, rows))
    assert np.array_equal(warm, cold(gear, 3, quarter_hours(gear)))  # as if it had come in time


def test_rows_in_any_order_find_the_same_checkpoints(gear, begun):
    rows = quarter_hours(gear)
    expected = state(gear, 8, rows)
    begun.clear()
    shuffled = [rows[k] for k in np.random.default_rng(4).permutation(len(rows))]
    assert np.array_equal(state(gear, 8, shuffled), expected)
    assert min(begun) > 0


def test_another_assumption_finds_nothing(gear, begun):
    rows = quarter_hours(gear)
    state(gear, 8, rows)
    begun.clear()
    slow = {"lines.checkin_minutes": 2.5}
    warm = state(gear, 8, rows, **slow)
    assert set(begun) == {0}
    assert np.array_equal(warm, cold(gear, 8, rows, **slow))


def test_the_shelf_lets_go_of_what_was_not_asked_for_longest():
    point = Checkpoint(np.zeros((4, 100), np.float32), np.zeros((2, 100)), False)
    shelf = Shelf(most=3 * point.bytes)
    for name in (b"a", b"b", b"c"):
        shelf.keep(name, point)
    assert shelf.find(b"a") is point
    shelf.keep(b"d", point)
    assert [name for name in (b"a", b"b", b"c", b"d") if shelf.find(name)] == [b"a", b"c", b"d"]
    assert shelf.used == 3 * point.bytes


def test_a_large_county_has_room_for_what_its_replays_keep():
    shelf = Shelf(most=1000)
    shelf.make_room(np.full(900, 400), np.array([2] * 900))
    # rows of the state in half precision, two rows of weights in single
    assert shelf.most == 900 * 400 * ((checkpoints.HEAD + 4) * 2 + 8) * checkpoints.AT_ONCE
    shelf.make_room(np.array([400]), np.array([1]))  # one site asked about by itself takes nothing away
    assert shelf.most > 900 * 400


def test_checkpoints_stand_close_of_late_and_farther_back_where_the_countys_day_bends():
    # columns are minutes since an hour before opening; half-hours have their middles at 15, 45, 75, ...
    assert checkpoints.columns_kept(4) == []
    assert checkpoints.columns_kept(31) == [5, 15, 25]
    assert checkpoints.columns_kept(240) == [75, 105, 135, 165, 195, 215, 225, 235]
    assert all(checkpoints.is_one(column) for column in checkpoints.columns_kept(240))
    assert max(len(checkpoints.columns_kept(column)) for column in range(1000)) <= checkpoints.AT_ONCE


def test_the_farthest_that_a_half_hour_reaches_back_is_kept():
    # heard of at most a half-hour and NEWS_MINUTES after its end; from the middle of the one before the first it moves
    reach = countyday.NEWS_MINUTES + (1 + countyday.LAG_BINS + 1) * countyday.BIN_MINUTES + countyday.BIN_MINUTES // 2
    for column in range(400, 460):
        assert checkpoints.columns_kept(column)[0] <= column - reach


def test_what_is_kept_is_what_a_replay_goes_on_with(gear):
    z = np.random.default_rng(2).normal(0, 3, (checkpoints.HEAD + 2, 2, 50)).astype(np.float32)
    z[checkpoints.HEAD - 1] = np.arange(50) * 40  # people, fewer than EXACT
    z[0, 1], z[1, 1] = 5000.3, 1e-7  # no half precision holds these
    logw, scanners = np.random.default_rng(3).normal(size=(2, 2, 50)), np.array([1, 1])
    halves.round_off(z, logw)
    z[2, 0, :2] = 0.0, -0.25
    kept = [checkpoints.packed(z, np.arange(len(z)), k, logw, True) for k in (0, 1)]
    assert [point.z.dtype for point in kept] == [np.uint16, np.float32]
    assert np.array_equal(kept[0].z.view(np.float16), z[:, 0].astype(np.float16))  # IEEE 754, by numpy
    again = checkpoints.restored(kept, scanners, 25)
    assert np.array_equal(again.z, z) and np.array_equal(again.logw, logw)
    assert (z[checkpoints.HEAD - 1] == np.arange(50) * 40).all() and (z[0, 1] == np.float32(5000.3)).all()
    small = np.abs(z) <= halves.EXACT
    assert np.array_equal(z[small], z[small].astype(np.float16))  # IEEE 754 half precision, by numpy
    twice = z.copy()
    halves.round_off(twice, logw)
    assert np.array_equal(twice, z)


def test_what_still_holds_stays_on_the_shelf_when_later_states_come_in_again_and_again(monkeypatch):
    point = Checkpoint(np.zeros((4, 100), np.float32), np.zeros((2, 100)), False)
    shelf = Shelf(most=4 * point.bytes)
    monkeypatch.setattr(checkpoints, "SHELF", shelf)
    shelf.keep(b"7:30", point)
    for version in range(9):  # the newest state changes with every step, the one before it does not
        mark = f"8:00, version {version}".encode()
        assert checkpoints.newest({75: b"7:30", 105: mark}) == (75, point)
        shelf.keep(mark, point)
    assert checkpoints.newest({75: b"7:30", 105: b"8:00, version 8"}) == (105, point)


def test_another_level_of_the_county_leaves_every_site_as_many_particles(gear):
    rows = quarter_hours(gear)
    few = gear.known(at=gear.ago(0), units=[gear.unit(u, s) for u, s in UNITS.items()], status=rows, settings=FEW)
    many = gear.known(
        at=gear.ago(0), units=[gear.unit(u, s) for u, s in UNITS.items()], settings=FEW,
        status=[row | {"ballots_counted": 3 * row["ballots_counted"]} for row in rows],
    )  # fmt: skip
    nothing = empty(events.TicketReadings), empty(events.SupplyStates)
    quiet, busy = lines.day_of(few, *nothing), lines.day_of(many, *nothing)
    assert not np.array_equal(quiet.places.rates, busy.places.rates)
    assert np.array_equal(quiet.particles, busy.particles)
