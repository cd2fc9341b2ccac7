"""What a county calls its units, found in the further columns of its roster. Common practice, no source."""

import json

import pytest

from pipeline.normalise.unit_columns import names_given

SITES = ("P01", "P01", "P02", "P02", "P03", "P03", None)


def rows(**columns: list[str]) -> list[dict]:
    """A roster of two scanners at each of three sites and a spare, with further columns."""
    return [
        {
            "unit_id": f"U{i}",
            "site_id": site,
            "type": "scan-single",
            "attributes": json.dumps({name: values[i] for name, values in columns.items() if i < len(values)}),
        }
        for i, site in enumerate(SITES)
    ]


@pytest.mark.parametrize(
    "values",
    [
        ["red tape", "blue tape", "red tape", "green tape"],
        ["A", "B", "A", "B", "A", "B"],
        ["1", "2", "1", "2", "5", "6"],
        ["left", "right", "", "", "door", "stage"],
        ["CO-0417", "CO-0418", "CO-0503", "CO-0504", "CO-0611", "CO-0612", "CO-0999"],
        ["A-K", "L-Z", "A-K", "L-Z"],
        ["P3", "P4", "P1", "P2"],  # they follow each other
        ["trunk 31", "trunk 8", "trunk 77", "trunk 12"],  # no two are alike
    ],
)
@pytest.mark.parametrize("column", ["label", "zzz", "Sticker on it"])
def test_a_column_whose_values_tell_units_apart_names_them_whatever_it_is_called(column: str, values: list[str]):
    told = {f"U{i}": (value,) for i, value in enumerate(values) if value}
    assert names_given(rows(**{column: values})) == told


@pytest.mark.parametrize(
    "values",
    [
        ["model X"] * 6,  # alike for all
        ["2018", "2021", "2019", "2020", "2022", "2023"],
        ["2026-01-02", "2026-02-03", "2026-01-05", "2026-02-06"],
        ["3/14/24", "4/2/24", "5/1/24", "6/9/24"],
        ["Mar 4, 2024", "Apr 5, 2024", "May 6, 2024", "Jun 7, 2024"],
        ["41.5", "39.75", "40.1", "44.0"],
        ["$4,100", "$3,900", "$4,000", "$4,200"],
        ["22 kg", "23 kg", "24 kg", "25 kg"],
        ["came back from repair with a new roller and a dented lid"] * 3 + ["lid sticks a little when it is cold out"],
        ["spare key is missing"],  # a note about one of them
        ["ok", "ok", "ok", "worn", "ok", "ok"],
        ["L2", "L9", "L9", "L4", "L7", "L2"],  # a lot: alike here and there, and in no order
    ],
)
def test_dates_amounts_notes_and_what_is_alike_for_all_are_no_names(values: list[str]):
    assert names_given(rows(anything=values)) == {}


def test_a_roster_without_further_columns_names_nothing():
    assert names_given([{"unit_id": "U1", "site_id": "P01", "type": "bmd", "attributes": None}]) == {}
