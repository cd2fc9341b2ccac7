"""Whole tickets in many voices, invented for this project, from whose words a reading is learnt: voices.csv."""

import csv
from functools import lru_cache
from importlib.resources import files
from typing import NamedTuple


class Told(NamedTuple):
    """One ticket: the voice that it is told in, what it is about, whether it refers to an earlier call, and its words.

    No category (an empty text) where the words tell none ("any news?").
    """

    voice: str
    category: str
    is_again: bool
    text: str


@lru_cache(maxsize=1)
def voices() -> tuple[Told, ...]:
    """Every ticket that is shipped."""
    with files("pipeline.normalise").joinpath("voices.csv").open(encoding="utf-8") as lines:
        return tuple(Told(r["voice"], r["category"], r["again"] == "yes", r["text"]) for r in csv.DictReader(lines))
