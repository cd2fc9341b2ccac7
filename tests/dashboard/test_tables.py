"""Estimates in the words of the board."""

import shutil
from pathlib import Path

import polars as pl
import pytest

from dashboard import data, further, tables
from dashboard.further import ORDERS, SENDS
from pipeline.contracts.estimates import ESTIMATES

FURTHER = ("exposure", "circuits", "remedies", "swaps", "kinds", "fixes", "custody", "finish")


@pytest.fixture
def picture(book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> data.Picture:
    """A picture of which nothing has been worked out yet."""
    monkeypatch.setenv(data.ENVIRONMENT, str(shutil.copytree(book, tmp_path / "own")))
    return data.current(None)


@pytest.mark.parametrize("what", FURTHER)
def test_no_two_columns_of_a_table_share_a_heading(what: str):
    columns = [c for c in ESTIMATES[what].to_schema().columns if not c.endswith(("_low", "_high"))]
    assert len({tables.head(c) for c in columns}) == len(columns)


def test_what_is_not_there_is_a_dash_and_a_spare_without_a_site_is_at_the_depot(picture: data.Picture):
    row = {"outage_id": None, "spare_site_id": None, "parts": [], "option": "charged-unit"}
    assert [tables.cell(picture, row, c) for c in row] == ["–", "depot", "–", "charged unit"]


def test_a_number_is_told_to_two_figures_and_never_as_a_false_nought():
    assert [tables.number(n) for n in (0.0, 9.8e-08, 0.0328, 4.81, 67.6, 1978.2)] == [
        "0", "under 0.001", "0.033", "4.8", "68", "1,978",
    ]  # fmt: skip


def test_circuits_that_are_out_stand_first():
    rows = pl.DataFrame(
        {"circuit": ["A", "B"], "outage_id": [None, "O1"], "units_off": [0, 3], "expected_voter_minutes": [0.0, 9.0]}
    )
    assert rows.sort(ORDERS["circuits"][1], descending=True)["circuit"].to_list() == ["B", "A"]


@pytest.mark.parametrize("what", SENDS)
def test_nobody_is_to_be_sent_with_a_remedy_or_a_spare_to_a_place_in_danger(
    picture: data.Picture, monkeypatch: pytest.MonkeyPatch, what: str
):
    frame = pl.DataFrame({"site_id": ["P01", "P03"], "voter_minutes_saved": [9.0, 8.0]})
    monkeypatch.setattr(data.Picture, "answer", lambda self, asked: frame)
    monkeypatch.setattr(further.figures, "danger_sites", lambda _picture: {"P03"})
    assert further.ordered(picture, what)["site_id"].to_list() == ["P01"]
