"""The roster of units as an index: ids, serials, a county's own tags and their last digits."""

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import polars as pl

from pipeline.normalise import unit_columns
from pipeline.normalise.kept import kept
from pipeline.normalise.unit_columns import parts_of
from pipeline.normalise.unit_numbers import MOST_PARTS, bare_name, digits_of, whole_tag

ROSTERS_KEPT = 2  # the present one, and that of a past moment [count]
TAIL_DIGITS = 3  # "at least three final digits of id or serial", as hotline staff ask for: common practice, no source
DEVICE_WORD = re.compile(
    r"scan|tab|read|count|mach|unit|dev|bmd|mark|touch|print|poll|pad|book|epb|lap|stat|spare|tag|ser"
)


@dataclass(frozen=True)
class Unit:
    """One unit of the roster, its numbers ready for comparing."""

    unit_id: str
    site_id: str | None
    type: str
    tag: str
    digits: str
    serials: tuple[str, ...]  # the digits of its serial and of its further tags
    local: tuple[tuple[str, str], ...]  # the letters and digits that its id, or tag, ends in: "s", "2" of "04-S2"
    whole: tuple[tuple[str, str], ...]  # id and tags in one form, with digits of it, where they have letters too
    aliases: tuple[str, ...]  # its serial and further tags, where they are of the county's own: "p47" of "P047"
    runs: tuple[str, ...] = ()  # neighbouring parts of its tags in one form: "scn412", "7b"
    names: tuple[str, ...] = ()  # its id and tags, letters and digits alone
    is_spare: bool = False  # a spare that waits at a site: meant only where it is named
    parts: tuple[str, ...] = ()  # the letters and the digits of its id in turn
    letters: frozenset[str] = frozenset()  # the letters that its id, or tag, ends in: "b" of "SC-07B"
    words: tuple[str, ...] = ()  # words of its tag that no other unit at its site has: "heron" of "TAB-HERON"
    labels: tuple[tuple[str, ...], ...] = ()  # what else the county calls it, in parts: ("red", "tape"), ("p", "3")

    @cached_property
    def bare(self) -> tuple[str, ...]:
        """The digits of its id and tags without leading zeros."""
        return tuple(number.lstrip("0") for number in (self.digits, *self.serials))

    @cached_property
    def marks(self) -> frozenset[str]:
        """The numbers and single letters that the county calls it by: "2" of "desk 2" or "P2", "m" of "letter M"."""
        ends = {label[-1] for label in self.labels if len(label) <= 2 and not is_range(label)}
        return frozenset(end for end in ends if end.isdigit() or len(end) == 1)


@dataclass
class Labels:
    """What units of a site are called by their county, by the parts of what may be said (`unit_labels.py`)."""

    units: list[Unit]
    said: dict[tuple[str, ...], list[Unit]] = field(default_factory=dict)
    begin: frozenset[str] = frozenset()  # what any of it begins with
    tags: dict[str, Unit] = field(default_factory=dict)  # whole tags there, which go before names cut short


@dataclass
class UnitBook:
    """The roster of units as an index."""

    units: list[Unit]
    at_site: dict[str, list[Unit]] = field(default_factory=lambda: defaultdict(list))
    by_tag: dict[str, Unit] = field(default_factory=dict)
    by_id: dict[str, Unit] = field(default_factory=dict)
    by_name: dict[str, Unit] = field(default_factory=dict)
    letters: set[str] = field(default_factory=set)
    by_tail: dict[str, list[Unit]] = field(default_factory=lambda: defaultdict(list))
    labels: dict[str, Labels | None] = field(default_factory=dict)  # by site, as they are asked for


def is_range(label: tuple[str, ...]) -> bool:
    """Whether the parts of a name are where an alphabet is split: "A-H"."""
    return len(label) > 1 and all(len(part) == 1 and part.isalpha() for part in label)


def id_of(unit: Unit) -> str:
    """A unit's id as a text names it beyond doubt."""
    return unit.unit_id if whole_tag(unit.unit_id) else f"unit {unit.unit_id}"


def tag_of(text: str) -> str:
    """A tag in one form: "sc-07375", "SC07375" and "SC 7375" agree."""
    letters, number = re.sub(r"[^a-z]", "", text.lower()), digits_of(text)
    return letters + (number.lstrip("0") or number)


def unit_book(units: pl.DataFrame) -> UnitBook:
    """The index of a roster of units."""
    if "attributes" not in units.columns:
        units = units.with_columns(attributes=pl.lit(None, dtype=pl.String))
    return unit_book_of(units.select("unit_id", "site_id", "type", "serial", "role", "attributes").sort("unit_id"))


@kept(ROSTERS_KEPT)
def unit_book_of(units: pl.DataFrame) -> UnitBook:
    """The index of the units' numbers."""
    rows = units.to_dicts()
    given, counts = unit_columns.names_given(rows), counted(rows)
    serials = {row["unit_id"]: row["serial"] or "" for row in rows}
    stood: dict[str, list[Unit]] = defaultdict(list)
    for row in rows:
        stood[row["site_id"] or ""].append(make_unit(row, given.get(row["unit_id"], ()), counts.get(row["unit_id"])))
    units_by_id = {u.unit_id: u for here in stood.values() for u in with_words(here, serials)}
    book = UnitBook([units_by_id[row["unit_id"]] for row in rows])
    for unit in book.units:
        if unit.site_id:
            book.at_site[unit.site_id].append(unit)
        book.by_tag[unit.tag] = unit
        book.by_id[unit.unit_id] = unit
        book.by_name[bare_name(unit.unit_id)] = unit
        book.letters.add(unit.tag.rstrip("0123456789"))
        for number in {unit.digits, *unit.serials} - {""}:
            for size in range(TAIL_DIGITS, len(number) + 1):
                book.by_tail[number[-size:]].append(unit)
    add_aliases(book)
    for index in (book.at_site, book.by_tail):  # what is looked up must not become a part of what is kept
        index.default_factory = None  # type: ignore[attr-defined]
    return book


def with_words(units: list[Unit], serials: dict[str, str]) -> list[Unit]:
    """The units of a site, each with the words of its tags that no other there has and that name no kind of device."""
    words = {u.unit_id: set(re.findall(r"[a-z]{3,}", f"{u.unit_id} {serials[u.unit_id]}".lower())) for u in units}
    counts = Counter(word for found in words.values() for word in found)
    # One of a kind needs no word to be told by, and its word may be any: "ADA-01".
    alike = Counter(u.type for u in units)
    words = {u.unit_id: words[u.unit_id] if alike[u.type] > 1 else set() for u in units}
    own = {
        i: tuple(sorted(w for w in found if counts[w] == 1 and not DEVICE_WORD.match(w))) for i, found in words.items()
    }
    return [replace(u, words=own[u.unit_id]) for u in units]


def add_aliases(book: UnitBook) -> None:
    """Lets a tag that one unit alone has name it, as its id does; ids go before."""
    counts = Counter(alias for unit in book.units for alias in unit.aliases)
    for unit in book.units:
        for alias, name in zip(unit.aliases, unit.names[1:], strict=True):
            if alias and counts[alias] == 1:
                book.by_tag.setdefault(alias, unit)
                book.by_name.setdefault(name, unit)
                book.letters.add(alias.rstrip("0123456789"))


def counted(rows: Sequence[dict[str, Any]]) -> dict[str, str]:
    """The number that a unit's id ends in, by its id, where these count all units of its site whatever their kind.

    So "tablet 5" is 111-5, beside the scanners 111-1 and 111-2.
    """
    at_site: dict[str, dict[str, str]] = defaultdict(dict)
    kinds: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        if row["site_id"]:
            at_site[row["site_id"]][row["unit_id"]] = "".join(parts_of(row["unit_id"])[-1:])
            kinds[row["site_id"]].add(row["type"])
    found: dict[str, str] = {}
    for site_id, ends in at_site.items():
        if len(kinds[site_id]) > 1 and sorted(ends.values()) == sorted(str(n) for n in range(1, len(ends) + 1)):
            found |= ends
    return found


def make_unit(row: dict[str, Any], given: tuple[str, ...], count: str | None = None) -> Unit:
    """One unit of the roster.

    Parameters
    ----------
    given : what the county calls it besides: as a tag where that has a number as long as the last digits of one
    count : its number among the units of its site (`counted`), which counts unless it is called by another number
    """
    tags = [name for name in (row["serial"] or "", *(n for n in given if len(digits_of(n)) >= TAIL_DIGITS)) if name]
    names = [row["unit_id"], *tags]
    called = [n for n in given if n not in tags]
    if count and not any(map(digits_of, called)):
        called.append(count)
    labels = (tuple(parts_of(n)) for n in called)
    return Unit(
        row["unit_id"],
        row["site_id"],
        row["type"],
        tag_of(row["unit_id"]),
        digits_of(row["unit_id"]),
        tuple(number for tag in tags if (number := digits_of(tag))),
        tuple(local for local in map(local_of, names) if local[1]),
        tuple((form, digits_in(name)) for name in names if (form := whole_tag(name))),
        tuple(tag_of(tag) if local_of(tag)[1] else "" for tag in tags),
        tuple(sorted({run for name in names for run in runs_of(name)})),
        tuple(map(bare_name, names)),
        row["role"] == "spare",
        tuple(parts_of(row["unit_id"])),
        frozenset({*map(letters_at_end, names)} - {""}),
        labels=tuple(label for label in labels if label),
    )


def runs_of(name: str) -> list[str]:
    """Two neighbouring parts of a tag and more, but not all, in one form each, where they have letters and digits."""
    parts = parts_of(name)
    sizes = range(2, min(len(parts), MOST_PARTS))
    forms = ("".join(parts[i : i + n]) for n in sizes for i in range(len(parts) - n + 1))
    return [form for form in forms if not form.isalpha() and not form.isdigit()]


def letters_at_end(name: str) -> str:
    """The few letters that a tag ends in, after digits or a mark; empty where it ends otherwise."""
    found = re.search(r"[^a-z]([a-z]{1,3})$", name.lower())
    return found.group(1) if found else ""


def digits_in(tag: str) -> str:
    """The most digits side by side in a tag, without leading zeros: a text without them does not name it."""
    return max((number.lstrip("0") for number in re.findall(r"\d+", tag)), key=len)


def local_of(unit_id: str) -> tuple[str, str]:
    """The letters and the digits, without leading zeros, that an id ends in; empty where it ends otherwise."""
    found = re.search(r"([a-z]+)[^a-z0-9]*0*([1-9]\d*)$", unit_id.lower())
    return (found.group(1), found.group(2)) if found else ("", "")
