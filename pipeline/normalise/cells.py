"""Text of a cell → the form that its column has: times of day, lists, names with counts, spans of time; pure.

What cannot be brought into the form stays as it came.
"""

import re
from collections.abc import Callable

import polars as pl

from pipeline.contracts.feeds import CLOCK
from pipeline.sources.clocks import clock_of

COUNTED = re.compile(r"[^:]*:\s*-?\d+")
BEHIND = re.compile(r"(.*?\S)\s*(?:[x×=*(]|\s-\s)\s*(\d{1,6})\s*(?:\)|pcs?\.?|ea\.?)?", re.I)
BEFORE = re.compile(r"(\d{1,6})\s*(?:[x×*]|pcs?\.?|ea\.?)?\s+(\S.*)", re.I)
SPAN = re.compile(r"(.+?)\s*(?:-|–|—|\bto\b|\buntil\b|\btill\b)\s*(.+)", re.I)


def clock_text(text: pl.Series) -> pl.Series:
    """Times of day as HH:MM with two digits each."""
    return formed(text, CLOCK.replace("[01]?", "[01]"), lambda said: clock_of(said) or said)


def words_text(text: pl.Series) -> pl.Series:
    """Several words in a cell, `;` between, whatever stood between them; lower case."""
    return text.str.to_lowercase().str.replace_all(r"\s*[;,/|\n]\s*", ";").str.strip_chars("; ").replace("", None)


def names_text(text: pl.Series) -> pl.Series:
    """Several names in a cell, `;` between, without blanks beside it."""
    return text.str.replace_all(r"\s*;\s*", ";").str.strip_chars("; ").replace("", None)


def counts_text(text: pl.Series) -> pl.Series:
    """Names with counts as `name:count`, also where they came as `2 x name` or `name (2)`."""
    return formed(
        names_text(text), r"^[^:;]+:-?\d+(;[^:;]+:-?\d+)*;?$", lambda said: ";".join(map(counted, said.split(";")))
    )


def counted(item: str) -> str:
    """One name with its count."""
    said = item.strip()
    if COUNTED.fullmatch(said):
        return said
    behind, before = BEHIND.fullmatch(said), BEFORE.fullmatch(said)
    return f"{behind[1]}:{behind[2]}" if behind else f"{before[2]}:{before[1]}" if before else said


def spans_text(text: pl.Series) -> pl.Series:
    """Spans of time as `HH:MM-HH:MM`, also where they came as `12 to 12:30 PM`."""
    return formed(
        text, r"^\d\d:\d\d-\d\d:\d\d(;\d\d:\d\d-\d\d:\d\d)*$", lambda said: ";".join(map(span, said.split(";")))
    )


def span(item: str) -> str:
    """One span of time."""
    found = SPAN.fullmatch(item.strip())
    if not found:
        return item.strip()
    start, end = found[1], found[2]
    half = re.search(r"[ap]\.?m\.?$", end, re.I)
    first, last = clock_of(start), clock_of(end)
    if half and not re.search(r"[apm.]+$", start, re.I):  # `12 to 12:30 PM`: both halves of the day are tried
        tried = [
            c for c in (clock_of(f"{start} {h}m") for h in "pa") if c is not None and last is not None and c < last
        ]
        first = tried[0] if tried else None
    return f"{first}-{last}" if first and last else item.strip()


def formed(text: pl.Series, form: str, make: Callable[[str], str]) -> pl.Series:
    """A column whose values of another form are made anew, each distinct one once."""
    odd = text.filter(text.is_not_null() & ~text.str.contains(form)).unique()
    return text.replace(odd, pl.Series([make(said) for said in odd], dtype=pl.String)) if odd.len() else text


FORMS: dict[str, Callable[[pl.Series], pl.Series]] = {
    "word": lambda text: text.str.to_lowercase(),
    "words": words_text,
    "names": names_text,
    "clock": clock_text,
    "counts": counts_text,
    "spans": spans_text,
}
