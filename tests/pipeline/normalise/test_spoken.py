"""Numbers read out word by word."""

import pytest

from pipeline.normalise.spoken import in_digits


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("eighty two oh five", "8205"),
        ("forty ninety one", "4091"),
        ("station two two", "station 22"),
        ("station twenty two", "station 22"),
        ("unit one zero two six is dead", "unit 1026 is dead"),
        ("sixty twelve", "6012"),
        ("eighty one eleven", "8111"),
        ("one more", "one more"),
        ("four hundred and six has no sound", "406 has no sound"),
        ("a hundred twenty-three", "123"),
        ("a hundred people", "a hundred people"),
        ("twenty five hundred", "twenty five hundred"),
    ],
)
def test_numbers_read_out_become_digits(text: str, told: str):
    assert in_digits(text) == told
