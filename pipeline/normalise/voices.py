"""Whole tickets in many voices, invented for this project, from whose words a reading is learnt: voices.csv."""

import csv
from functools import lru_cache
from importlib.resources import files
from typing import NamedTuple

AGAIN = {"yes": True, "": False, "unread": None}  # what voices.csv says of an earlier call


class Told(NamedTuple):
    """One ticket: the voice that it is told in, what it is about, whether it refers to an earlier call, and its words.

    No category (an empty text) where the words tell none ("any news?"); null for an earlier call where nobody has read
    it for that.
    """

    voice: str
    category: str
    is_again: bool | None
    text: str


@lru_cache(maxsize=1)
def voices() -> tuple[Told, ...]:
    """Every ticket that is shipped."""
    with files("pipeline.normalise").joinpath("voices.csv").open(encoding="utf-8") as lines:
        rows = csv.DictReader(lines)
        return tuple(Told(r["voice"], r["category"], AGAIN[r["again"]], r["text"]) for r in rows)
