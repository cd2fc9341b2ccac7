"""Which unit a caller means: an asset tag, a serial, its last digits, or the only unit of its type at the site."""

import math
import re
from collections.abc import Mapping, Set
from functools import lru_cache

from pipeline.normalise import spanish, unit_labels, unit_letters
from pipeline.normalise.spoken import ONES
from pipeline.normalise.unit_ends import letters_of, same_letters, unit_by_digits
from pipeline.normalise.unit_marks import by_end, by_mark, by_order, by_run, spelled
from pipeline.normalise.unit_numbers import (
    DIGIT,
    EXACT,
    JOINED,
    bare_name,
    digits_of,
    numbers_said,
    whole_tags,
    without_series,
)
from pipeline.normalise.unit_others import THE_SECOND, without_beside, without_sent
from pipeline.normalise.unit_roster import Unit, UnitBook, tag_of

TYPES: dict[str, tuple[str, ...]] = {  # NIST SP 1500-101 DeviceType, by what the trouble is about
    "scanner": ("scan-single", "scan-batch"),
    "bmd": ("bmd", "dre", "electronic-cast", "electronic-cast-paper"),
    "pollbook": ("electronic-poll-book", "ballot-activation"),
    "printer": ("ballot-printing", "blank-ballot-printing"),
}
COUNTING = ("dre", "electronic-cast", "electronic-cast-paper")  # screens that also count, and print reports
CATEGORY_TYPE = {
    "scanner-jam": "scanner",
    "scanner-down": "scanner",
    "bin-full": "scanner",
    "memory-card": "scanner",
    "tape-printer": "scanner",
    "bmd": "bmd",
    "accessible-device": "bmd",
    "poll-book": "pollbook",
}
# A unit is guessed by the category, or by all categories of its kind of unit, from this probability up: our choice
SURE_ENOUGH = 0.6
KIND_SURE = 0.85  # and from which it goes before the things that a text names ("the voice-only machine"): our choice
ENOUGH_DIGITS = 4  # last digits of a tag that may name a unit of the county: our choice
MOST_SITES = 3  # that have a unit so named, for the unit to tell the site: our choice
SENDS = {"transmission": "scanner"}  # what sends results is what counts them, where there is but one
SCANNER_DOORS = frozenset({"bin", "card"})
KINDS = frozenset({"scanner", "bmd", "pollbook", "accessible"})
COUNTERS = frozenset({"scanner", "machine"})  # words for what counts
BESIDE = (  # what is named, the types that it is where the roster has it, and whose troubles it has
    ("sender", ("transmission-sending",), ("transmission", "poll-book")),
    ("labeller", TYPES["printer"], ("poll-book",)),
)
# What a unit was exchanged for, or its work was given to, at the end: "swapped with 12", "moved all to T-05".
INSTEAD = re.compile(
    r"\b(?:with|to|for|from|by|on|onto|use|using|spare)\s+(?:the\s+|spare\s+|unit\s+)*[\w-]*\d[\w-]*", re.I
)
SPARE = re.compile(r"\W*(?:the\s+)?(?:spare|backup)(?:\s+one)?\W*", re.I)
SAID_KINDS = tuple(
    (kind, re.compile(form))
    for kind, form in (
        (
            "pollbook",
            r"check|ck\s?-?in|\bbook|poll\s?-?book|\bpads?\b|\bepb|\bebk|\bpb\b|tablet|ipad|laptop|e-?book|sign",
        ),
        ("bmd", r"\bbmd|mark|\bmkr|touch|\bmd\b|\bada\b|access"),
        ("scanner", r"scan|scnr|tabul|reader|\bsc\b|count"),
    )
)


def sites_named(book: UnitBook, said: str | None, text: str | None) -> tuple[str, ...]:
    """Sites that hold a unit that the words fit, for choosing between places; empty where nothing fits."""
    sites: set[str] = set()
    for how, number in numbers_said(said or "", text or ""):
        if how == "name" and number in book.by_name:
            unit = book.by_name[number]
            return (unit.site_id,) if unit.site_id else ()
        if how in ("tag", "short") and tag_of(number) in book.by_tag:
            unit = book.by_tag[tag_of(number)]
            return (unit.site_id,) if unit.site_id else ()
        digits = digits_of(number)
        if how in ("tag", "field"):
            sites |= {u.site_id for u in book.by_tail.get(digits, []) if u.site_id and may_be(u, digits)}
    return tuple(sorted(sites)) if len(sites) <= MOST_SITES else ()


def may_be(unit: Unit, digits: str) -> bool:
    """Whether digits by themselves may name a unit anywhere: enough of its tag's last ones, or its whole number."""
    return len(digits) >= ENOUGH_DIGITS or digits == unit.digits


def sites_called(book: UnitBook, said: str, text: str) -> tuple[str, ...]:
    """Sites that have a unit called or numbered as the column for it or the text says; empty where many have."""
    labels = unit_labels.labels_of_county(book)
    units = unit_labels.called(labels, said, text, types_of_noun) if labels else []
    bare = [number for how, number in numbers_said(said, text) if how == "bare"]
    units += [u for number in bare for u in book.by_tail.get(number, []) if may_be(u, number)]
    ends = [number for how, number in numbers_said(said, text) if how == "text"]  # "serial ending 417"
    units += [u for number in ends for u in book.by_tail.get(number, [])]
    sites = sorted({u.site_id for u in units if u.site_id})
    return tuple(sites) if len(sites) <= MOST_SITES else ()


def unit_of(
    book: UnitBook,
    site_id: str | None,
    said: str | None,
    text: str | None,
    category: str | None = None,
    kind: str | None = None,
    things: Set[str] = frozenset(),
) -> str | None:
    """The unit that the words name, else the only one that fits the trouble; null where more than one could be meant.

    Parameters
    ----------
    said : the unit as the caller said it
    text : what the caller said
    category : the ticket's primary category; None leaves the type open
    kind : the kind of unit that the trouble is said to be at, where that is known (`kind_named`)
    things : the things that the text names
    """
    here = book.at_site.get(site_id or "", [])
    wanted = types_beside(here, category, things) or wanted_types(category, kind)
    said, text = spanish.in_english(said or ""), spanish.in_english(text or "")
    labels = unit_labels.labels_at(book, site_id)
    if labels:
        said = unit_labels.in_column(labels, said, wanted, types_of_noun) if said else ""
        is_told = DIGIT.search(said) and unit_named(book, here, said, "", ())
        text = text if is_told else unit_labels.in_text(labels, text, wanted, types_of_noun)
    text = unit_letters.with_ids(here, text, wanted)
    has_digit = DIGIT.search(text)
    text = without_series(text) if has_digit else text
    told = JOINED.sub(lambda m: " ; " if are_two(book, here, *m.groups()) else m.group(), text) if has_digit else text
    # What is named only to say that it is fine is not what is meant.
    bad = without_beside(told) if has_digit or any(u.letters for u in here) else told
    left = without_sent(bad)
    bad = left if left != bad and unit_named(book, here, said, left, ()) else bad
    second = THE_SECOND.search(bad) if "second" in bad.lower() else None
    if second:
        first = unit_named(book, here, said, bad[: second.start()], ())
        if first and the_other(book, here, first):
            return the_other(book, here, first)
    unit_id = unit_named(book, here, said, bad, wanted)
    good = unit_named(book, here, "", told, wanted) if unit_id is None and bad != told else None
    return the_other(book, here, good) if good and book.by_id[good].type in wanted else unit_id


def without_labels(book: UnitBook, site_id: str | None, text: str) -> str:
    """A text without what the site's units are called by the county, which says nothing of their trouble."""
    labels = unit_labels.labels_at(book, site_id)
    return unit_labels.without(labels, text, types_of_noun) if labels else text


def unit_at_end(
    book: UnitBook, site_id: str | None, resolution: str | None, category: str, kind: str | None
) -> str | None:
    """The unit of the kind in trouble that the words of a ticket's end name by its tag: "4182 rejoined the group"."""
    here = book.at_site.get(site_id or "", [])
    text = INSTEAD.sub(" ; ", resolution or "")
    wanted = wanted_types(category, kind)
    unit_id = named_in_text(book, here, "", text, wanted) if DIGIT.search(text) else None
    return unit_id if unit_id and book.by_id[unit_id] in here and book.by_id[unit_id].type in wanted else None


def the_other(book: UnitBook, here: list[Unit], unit_id: str) -> str | None:
    """The other unit of the kind at the site, where there are two."""
    same = [u.unit_id for u in here if u.type == book.by_id[unit_id].type]
    return next(u for u in same if u != unit_id) if len(same) == 2 and unit_id in same else None


def are_two(book: UnitBook, here: list[Unit], one: str, other: str) -> bool:
    """Whether two numbers named together are of two units of one kind at the site."""
    first, second = (book.by_id.get(unit_named(book, here, said, "", ()) or "") for said in (one, other))
    return bool(first and second and first is not second and first.type == second.type and first in here)


def unit_named(book: UnitBook, here: list[Unit], said: str, text: str, wanted: tuple[str, ...]) -> str | None:
    """`unit_of`, the first that is named."""
    if several_said(here, said):
        return None
    unit = named_whole(here, said, text) or named_in_column(here, said, wanted)
    unit = unit or by_run(here, whole_tags(text), text, wanted) or by_end(here, text)
    if unit:
        return unit.unit_id
    by_number = named_in_text(book, here, said, text, wanted)
    if by_number:
        return by_number
    unit = named_by_mark(here, text, wanted)
    if unit:
        return unit.unit_id
    fits = [u for u in here if u.type in wanted]
    fits = [u for u in fits if not u.is_spare] if len(fits) > 1 else fits
    if len(fits) > 1:
        unit = by_order(here, said, wanted, types_of_noun) or by_order(here, text, wanted, types_of_noun)
        return unit.unit_id if unit else None
    return fits[0].unit_id if fits else None


def named_in_text(book: UnitBook, here: list[Unit], said: str, text: str, wanted: tuple[str, ...]) -> str | None:
    """The first unit that is named by a number."""
    for how, number in numbers_said(said, text):
        if how in EXACT:
            unit = named_exactly(book, here, wanted, how, number)
            if unit:
                return unit.unit_id
            continue
        if how == "lead" and not wanted:
            continue
        if how == "tag" and letters_of(number) not in book.letters and number not in re.sub(r"[^\w]", "", said):
            continue  # letters and digits in a free text that are no tag of this county: "x0104"
        if how == "tag" and tag_of(number) in book.by_tag:
            return book.by_tag[tag_of(number)].unit_id
        letters = letters_of(number) if how == "tag" else ""
        unit = unit_by_digits(book, same_letters(here, letters), digits_of(number), wanted, how, letters)
        if unit:
            return unit.unit_id
    return None


def named_in_column(here: list[Unit], said: str, wanted: tuple[str, ...]) -> Unit | None:
    """The one unit of the site that the column for the unit names by the end of its tag, a letter or a word: "B"."""
    if not said:
        return None
    if SPARE.fullmatch(said):
        spares = [u for u in here if u.is_spare and (u.type in wanted or not wanted)]
        return spares[0] if len(spares) == 1 else None
    alone = re.fullmatch(r"\W*([a-z]{1,3}|\d{1,2})\W*", said.lower())
    if alone:
        mark = alone.group(1).lstrip("0")
        fits = [
            u
            for u in here
            if (mark in u.letters or mark in u.marks or mark == u.parts[-1]) and (u.type in wanted or not wanted)
        ]
        if len(mark) < 2 or fits:
            return fits[0] if mark and len(fits) == 1 else None
    return by_run(here, whole_tags(said), said, wanted) or named_by_mark(here, said, wanted)


def named_by_mark(here: list[Unit], text: str, wanted: tuple[str, ...]) -> Unit | None:
    """The one unit of the site that is named by a letter, a word of its own, its place in a count, or spelled out."""
    fits = [u for u in here if set(spelled(text)) & set(u.local)]
    return fits[0] if len(fits) == 1 else by_mark(here, text, wanted, types_of_noun)


@lru_cache(maxsize=1_000)
def types_of_noun(noun: str) -> tuple[str, ...]:
    """The types of unit that a word for a device is of; empty where it may be any."""
    return wanted_types(None, kind_said(noun))


def named_whole(here: list[Unit], said: str, text: str) -> Unit | None:
    """The one unit of the site whose id or tag stands whole, whatever the marks between its parts: "12a"."""
    both = (said + " " + text).lower()
    tags = [(form, unit) for unit in here for form, digits in unit.whole if digits in both]
    if not tags:
        return None
    for told in (whole_tags(said), whole_tags(text)):
        first = min((told[form] for form, _ in tags if form in told), default=None)
        if first is not None:
            fits = [unit for form, unit in tags if told.get(form) == first]
            return fits[0] if len(fits) == 1 else None
    return None


def several_said(here: list[Unit], said: str) -> list[Unit]:
    """The units of a site that are said, where that is several, by their ids or the ends of these: "S1 S3"."""
    words = {bare_name(w) for w in re.split(r"[\s,;&/+]+", said)} if said else set()
    found = [u for u in here if {bare_name(u.unit_id), *u.aliases, *("".join(end) for end in u.local)} & (words - {""})]
    return found if len(found) > 1 else []


def named_exactly(book: UnitBook, here: list[Unit], wanted: tuple[str, ...], how: str, number: str) -> Unit | None:
    """The one unit that a number names without a slip, said in one of the ways of `EXACT`."""
    if how == "name":
        return book.by_name.get(number)
    digits = digits_of(number)
    if how == "short":
        fits = [u for u in here if tuple(number.split(" ")) in u.local]
    elif how == "parts":
        fits = [u for u in here if len(digits) >= 4 and digits in (u.digits, *u.serials)]
    elif how == "does":
        fits = [u for u in here if digits.lstrip("0") in (*u.bare, *u.marks)]
    elif how == "pair":
        fits = [u for u in here if u.type in wanted and digits in (u.digits, *u.serials, *u.bare, *u.marks)]
    else:  # numbered as its id is, "04-S2": the digits of other tags count no machines of a place
        noun, _, said = number.rpartition(" ")
        types = types_of_noun(noun) or wanted
        fits = [
            u for u in here if u.type in types and ONES.get(said.lower(), said) in {*dict(u.local).values(), *u.marks}
        ]
    return fits[0] if len(fits) == 1 else None


def wanted_types(category: str | None, kind: str | None) -> tuple[str, ...]:
    """The types of unit that the trouble is about: of the kind that is named, else of that of its category."""
    category = category or ""
    return TYPES.get(kind or CATEGORY_TYPE.get(category) or SENDS.get(category) or "", ())


def kind_named(category: str, things: Set[str]) -> str | None:
    """The only kind of unit that words name, for a trouble of a unit or a seal; null where they name none or more."""
    if category == "seal":  # the doors of the ballot bin and of the memory card are the scanner's: common practice
        return only_kind(things) or ("scanner" if things & SCANNER_DOORS and not things & KINDS else None)
    return only_kind(things) if category in CATEGORY_TYPE else None


def only_kind(things: Set[str]) -> str | None:
    """The kind of unit among things named, where it is one; what prints reports is part of what counts."""
    kinds = {kind for kind in ("scanner", "bmd", "pollbook") if kind in things}
    kinds |= {"bmd"} if "accessible" in things else set()
    return kinds.pop() if len(kinds) == 1 else None


def types_beside(here: list[Unit], category: str | None, things: Set[str]) -> tuple[str, ...]:
    """The types of what a trouble is said to be at beside its usual units: a modem or hotspot, a label printer."""
    for thing, types, of in BESIDE:
        is_sending = category == "transmission" and not things & COUNTERS  # is of the sender unless another is named
        if category in of and (thing in things or is_sending) and any(u.type in types for u in here):
            return types
    return ()


def kind_chance(category: str, chances: Mapping[str, float]) -> float:
    """The probability that the trouble is of the kind of unit that a category is about; 0 where it is about none."""
    kind = CATEGORY_TYPE.get(category)
    return math.fsum(chance for c, chance in chances.items() if kind and CATEGORY_TYPE.get(c) == kind)


def only_units(book: UnitBook, site_id: str | None) -> dict[str, str]:
    """The unit of each kind of which a site has but one, spares aside."""
    here = [u for u in book.at_site.get(site_id or "", []) if not u.is_spare]
    by_kind = {kind: [u.unit_id for u in here if u.type in types] for kind, types in TYPES.items()}
    return {kind: found[0] for kind, found in by_kind.items() if len(found) == 1}


def mates(book: UnitBook, site_id: str | None, category: str) -> dict[str, str]:
    """Of two units of the kind in trouble that a site has, the other of each."""
    here = [u.unit_id for u in book.at_site.get(site_id or "", []) if u.type in wanted_types(category, None)]
    return {here[0]: here[1], here[1]: here[0]} if len(here) == 2 else {}


def counts_itself(book: UnitBook, unit_id: str | None, site_id: str | None) -> bool:
    """Whether what is marked on also counts there, so that a scanner's troubles can be its own."""
    unit = book.by_id.get(unit_id or "")
    return any(u.type in COUNTING for u in ([unit] if unit else book.at_site.get(site_id or "", [])))


def kind_of(book: UnitBook, unit_id: str | None) -> str | None:
    """What a unit is to its users: scanner, bmd, pollbook or printer."""
    unit = book.by_id.get(unit_id or "")
    return next((kind for kind, types in TYPES.items() if unit and unit.type in types), None)


def kind_meant(book: UnitBook, site_id: str | None, unit_id: str | None, said: str) -> str | None:
    """What a unit, or each of several, is to its users, as the roster has it; else by the caller's word for it."""
    several = [] if unit_id else several_said(book.at_site.get(site_id or "", []), said)
    kinds = {kind_of(book, u.unit_id) for u in several} or {kind_of(book, unit_id)}
    return (kinds.pop() if len(kinds) == 1 else None) or kind_said(said)


def kind_said(said: str) -> str | None:
    """What the caller's word for the unit says that it is."""
    words = said.lower()
    for kind, form in SAID_KINDS:
        if form.search(words):
            return kind
    return None
