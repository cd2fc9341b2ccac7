"""A moment says what it says, whatever it shares with the one before."""

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import data
from dashboard.sharing import Shared, shared

VALUES = st.lists(st.tuples(st.sampled_from([None, 0, 1]), st.sampled_from([None, 0.0, float("nan"), 1.0]),
                            st.sampled_from([None, "", "a"])), max_size=4)  # fmt: skip
SCHEMA = {"n": pl.Int64, "x": pl.Float64, "s": pl.String}


def frame(rows: list[tuple], **types: type) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=SCHEMA | types, orient="row")


def place(frame: pl.DataFrame, column: str) -> int:
    """Where a column's values are in memory."""
    found: int = frame[column].to_physical().to_numpy(allow_copy=False).__array_interface__["data"][0]
    return found


@given(VALUES, VALUES)
def test_what_is_shared_says_the_same(old: list[tuple], new: list[tuple]):
    found = shared(frame(new), frame(old))
    assert found.equals(frame(new)) and found.schema == frame(new).schema


def test_only_columns_that_hold_the_same_are_used_again():
    old, new = frame([(1, 2.0, "a"), (3, 4.0, "b")]), frame([(1, 2.0, "a"), (3, 5.0, "b")])
    found = shared(new, old)
    assert place(found, "n") == place(old, "n") and place(found, "x") == place(new, "x")
    narrow = shared(new.cast({"n": pl.Int32}), old)
    assert narrow.schema["n"] == pl.Int32


def test_frames_that_come_or_go_change_nothing():
    last = Shared()
    one, two = frame([(1, 2.0, "a")]), frame([(1, 2.0, "a"), (1, 2.0, "a")])
    for new in ({"a": one}, {"a": two, "b": one}, {"b": one.select("n")}, {"a": one, "b": two}, {}):
        found = last.frames(new)
        assert found.keys() == new.keys() and all(found[k].equals(f) for k, f in new.items())


def test_two_snapshots_of_a_book_share_what_did_not_change(book: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv(data.ENVIRONMENT, str(book))
    first, second = (data.read_published(str(book), data.on_disk()).present for _ in range(2))
    assert first is not None and second is not None and first.known.status is not second.known.status
    for one, two in ((first.known.status, second.known.status), (first.known.sites, second.known.sites)):
        assert one.equals(two) and place(one, "received_at") == place(two, "received_at")
