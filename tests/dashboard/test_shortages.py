"""What must be decided about supplies."""

import polars as pl
import pytest

from dashboard import shortages
from dashboard.items import ASK, COST
from pipeline.outputs.hand_over import RUNS_OUT


def bin_at(is_warned: bool) -> pl.DataFrame:
    """A bin of P01 that is full at about noon, by the estimate."""
    noon = pl.Series(["2026-11-03T18:00:00"]).str.to_datetime(time_zone="UTC", time_unit="us")
    return pl.DataFrame(
        {
            "unit_id": ["SC-11"], "site_id": ["P01"], "item": ["bin"], "style": pl.Series([None], dtype=pl.String),
            "used": [500.0], "capacity": [760.0], "state": pl.Series([None], dtype=pl.String), "full_at_low": noon,
            "full_at_mean": noon, "full_at_high": noon, "chance_full": [0.9], "basis": ["counter, 8 min old"],
            "send_by_at": noon.dt.offset_by("-40m"), "is_warned": [is_warned],
        }
    )  # fmt: skip


class WithSupplies:
    """The same moment with other supplies and another plan."""

    def __init__(self, shown, supplies: pl.DataFrame, plan: pl.DataFrame) -> None:
        self._shown, self._own = shown, {"supplies": supplies, "dispatch": plan}

    def __getattr__(self, name: str):
        return getattr(self._shown, name)

    def answer(self, what: str) -> pl.DataFrame:
        return self._own[what] if what in self._own else self._shown.answer(what)


def test_a_supply_is_pressing_once_somebody_has_to_leave_and_before_that_a_question(picture_of):
    shown = picture_of()
    plan = shown.answer("dispatch").clear()
    found = {}
    for is_warned in (True, False):
        (item,) = shortages.shortages(WithSupplies(shown, bin_at(is_warned), plan))
        found[is_warned] = item
    assert (found[True].rank, found[False].rank) == (COST, ASK)
    assert "somebody leaves by 11:20" in found[True].propose and "260 left of 760 by the counter" in found[True].people


@pytest.mark.parametrize("item", ["bin", "emergency", "paper", "ballots"])
def test_every_kind_of_supply_has_its_words(picture_of, item: str):
    assert set(RUNS_OUT) == set(shortages.TO_SUPPLY)
    shown = picture_of()
    rows = bin_at(True).with_columns(item=pl.lit(item), state=pl.lit("low"))
    for timed in (rows, rows.with_columns(full_at_mean=pl.lit(None, rows.schema["full_at_mean"]))):
        (line,) = shortages.shortages(WithSupplies(shown, timed, shown.answer("dispatch").clear()))
        assert RUNS_OUT[item] in line.what


def test_what_a_proposed_stop_answers_is_not_a_second_line(picture_of):
    shown = picture_of()
    plan = pl.DataFrame({"site_id": ["P01"], "unit_id": ["SC-11"], "categories": [["bin-full"]]})
    assert list(shortages.shortages(WithSupplies(shown, bin_at(True), plan))) == []
