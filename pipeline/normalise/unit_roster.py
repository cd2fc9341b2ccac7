"""The roster of units as an index: ids, serials, a county's own tags and their last digits."""

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.normalise.kept import kept
from pipeline.normalise.unit_numbers import bare_name, digits_of, whole_tag

ROSTERS_KEPT = 2  # the present one, and that of a past moment [count]
TAIL_DIGITS = 3  # "at least three final digits of id or serial", as hotline staff ask for: common practice, no source


@dataclass(frozen=True)
class Unit:
    """One unit of the roster, its numbers ready for comparing."""

    unit_id: str
    site_id: str | None
    type: str
    tag: str
    digits: str
    serial: str
    local: tuple[tuple[str, str], ...]  # the letters and digits that its id, or tag, ends in: "s", "2" of "04-S2"
    whole: tuple[tuple[str, str], ...]  # id and serial in one form, with digits of it, where they have letters too
    alias: str  # its serial as a tag, where that is one of the county's own: "p47" of "P047"


@dataclass
class UnitBook:
    """The roster of units as an index."""

    units: list[Unit]
    serials: list[str]
    at_site: dict[str, list[Unit]] = field(default_factory=lambda: defaultdict(list))
    by_tag: dict[str, Unit] = field(default_factory=dict)
    by_id: dict[str, Unit] = field(default_factory=dict)
    by_name: dict[str, Unit] = field(default_factory=dict)
    letters: set[str] = field(default_factory=set)
    by_tail: dict[str, list[Unit]] = field(default_factory=lambda: defaultdict(list))


def tag_of(text: str) -> str:
    """A tag in one form: "sc-07375", "SC07375" and "SC 7375" agree."""
    letters, number = re.sub(r"[^a-z]", "", text.lower()), digits_of(text)
    return letters + (number.lstrip("0") or number)


def unit_book(units: pl.DataFrame) -> UnitBook:
    """The index of a roster of units."""
    return unit_book_of(units.select("unit_id", "site_id", "type", "serial").sort("unit_id"))


@kept(ROSTERS_KEPT)
def unit_book_of(units: pl.DataFrame) -> UnitBook:
    """The index of the units' numbers."""
    rows = units.to_dicts()
    book = UnitBook([make_unit(row) for row in rows], [row["serial"] or "" for row in rows])
    for unit in book.units:
        if unit.site_id:
            book.at_site[unit.site_id].append(unit)
        book.by_tag[unit.tag] = unit
        book.by_id[unit.unit_id] = unit
        book.by_name[bare_name(unit.unit_id)] = unit
        book.letters.add(unit.tag.rstrip("0123456789"))
        for number in {unit.digits, unit.serial} - {""}:
            for size in range(TAIL_DIGITS, len(number) + 1):
                book.by_tail[number[-size:]].append(unit)
    add_aliases(book)
    for index in (book.at_site, book.by_tail):  # what is looked up must not become a part of what is kept
        index.default_factory = None  # type: ignore[attr-defined]
    return book


def add_aliases(book: UnitBook) -> None:
    """Lets a tag that one unit alone has name it, as its id does; ids go before."""
    counts = Counter(unit.alias for unit in book.units)
    for row, unit in zip(book.serials, book.units, strict=True):
        if unit.alias and counts[unit.alias] == 1:
            book.by_tag.setdefault(unit.alias, unit)
            book.by_name.setdefault(bare_name(row), unit)
            book.letters.add(unit.alias.rstrip("0123456789"))


def make_unit(row: dict[str, Any]) -> Unit:
    """One unit of the roster."""
    return Unit(
        row["unit_id"],
        row["site_id"],
        row["type"],
        tag_of(row["unit_id"]),
        digits_of(row["unit_id"]),
        digits_of(row["serial"] or ""),
        tuple(local for local in (local_of(row["unit_id"]), local_of(row["serial"] or "")) if local[1]),
        tuple((form, digits_in(name)) for name in (row["unit_id"], row["serial"] or "") if (form := whole_tag(name))),
        tag_of(row["serial"] or "") if local_of(row["serial"] or "")[1] else "",
    )


def digits_in(tag: str) -> str:
    """The most digits side by side in a tag, without leading zeros: a text without them does not name it."""
    return max((number.lstrip("0") for number in re.findall(r"\d+", tag)), key=len)


def local_of(unit_id: str) -> tuple[str, str]:
    """The letters and the digits, without leading zeros, that an id ends in; empty where it ends otherwise."""
    found = re.search(r"([a-z]+)[^a-z0-9]*0*([1-9]\d*)$", unit_id.lower())
    return (found.group(1), found.group(2)) if found else ("", "")
