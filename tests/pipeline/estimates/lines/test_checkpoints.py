"""A replay that begins at a checkpoint gives the very numbers of one that begins before opening."""

from datetime import timedelta

import numpy as np
import pytest

from pipeline.contracts import events
from pipeline.contracts.known import empty
from pipeline.estimates.lines import checkpoints, lines
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
    """How many half-hours after the first each site's replay began, newest replay last."""
    found: list[int] = []
    newest = checkpoints.newest

    def spy(chain):
        part, point = newest(chain)
        found.append(part)
        return part, point

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
    assert begun[:2] == [0, 0] and min(begun[-2:]) >= 8  # of the twelve half-hours since an hour before opening


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
    first = checkpoints.parts_before(int(300 + lines.LEAD - ago))
    assert begun[0] <= first  # S1: its counter is now known then
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
    # rows of the state in single precision, two rows of weights in double
    assert shelf.most == 900 * 400 * ((checkpoints.HEAD + 4) * 4 + 16) * checkpoints.AT_ONCE
    shelf.make_room(np.array([400]), np.array([1]))  # one site asked about by itself takes nothing away
    assert shelf.most > 900 * 400


def test_a_checkpoint_stands_at_the_middle_of_each_half_hour():
    columns = [checkpoints.column_of(part) for part in range(5)]
    assert columns == [0, 15, 45, 75, 105]  # minutes since an hour before opening
    assert [checkpoints.parts_before(column) for column in (0, 14, 15, 44, 45, 104, 105)] == [0, 0, 1, 1, 2, 3, 4]


def test_what_still_holds_stays_on_the_shelf_when_later_states_come_in_again_and_again(monkeypatch):
    point = Checkpoint(np.zeros((4, 100), np.float32), np.zeros((2, 100)), False)
    shelf = Shelf(most=4 * point.bytes)
    monkeypatch.setattr(checkpoints, "SHELF", shelf)
    shelf.keep(b"7:30", point)
    for version in range(9):  # the newest half-hours change with every step, the one before them does not
        mark = f"8:00, version {version}".encode()
        assert checkpoints.newest([b"before opening", b"7:30", mark]) == (1, point)
        shelf.keep(mark, point)
    assert checkpoints.newest([b"before opening", b"7:30", b"8:00, version 8"]) == (2, point)


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
