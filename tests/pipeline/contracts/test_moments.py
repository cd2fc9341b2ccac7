import polars as pl
import pytest

from pipeline.contracts.moments import spelled, spelled_out

LENGTHS = {0: "0 min", 12.4: "12 min", 119: "119 min", 120: "2 h", 659: "11 h", 47 * 60: "47 h", 48 * 60: "2 days"}


@pytest.mark.parametrize(("minutes", "said"), LENGTHS.items())
def test_a_length_of_time_is_told_as_people_say_it(minutes: float, said: str):
    assert spelled(minutes) == said


def test_a_column_of_lengths_is_told_in_the_same_words():
    frame = pl.DataFrame({"minutes": [*(n / 2 for n in range(7000)), None]})
    found = frame.select(said=spelled_out(pl.col("minutes")))["said"].to_list()
    assert found == [*(spelled(n / 2) for n in range(7000)), None]
