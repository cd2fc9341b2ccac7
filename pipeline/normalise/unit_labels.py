"""Units by what their county calls them, written as their ids: "the red one", "ydot", "P3", "table 2", "not Bravo".

What a further column of the roster calls a unit (`unit_columns.py`) also says other things: a door, a line, a colour.
It names a unit where a word for a device stands beside it or where nothing else is written so; and else only where the
trouble is one of such units. Numbers and letters by themselves are read as the ends of tags are (`unit_marks.py`).
Common practice, no source.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from rapidfuzz.distance import OSA

from pipeline.normalise.name_words import ordinary_words
from pipeline.normalise.shortened import is_cut_from
from pipeline.normalise.spoken import ONES
from pipeline.normalise.unit_columns import PART, parts_of
from pipeline.normalise.unit_marks import EVERYDAY, NOUN, PLACES
from pipeline.normalise.unit_roster import Labels, Unit, UnitBook, id_of

Types = Callable[[str], tuple[str, ...]]  # the types of unit that a word for a device is of; empty where it may be any
COUNTY = "*"  # the key of all units, which is no site's
MOST_PARTS = 4
CODE_LETTERS = 3  # letters of a code such as "NP2", at most: our choice
OWN_LETTERS = 3  # letters of a word by which alone a name of several is known: our choice
CUT_LETTERS = 4  # letters of a word of a name cut short: our choice
SLIP_LETTERS = 5  # letters of a name that is known with one slip of the keys: our choice
SIDES = frozenset({"left", "right", "back", "front", "top", "up", "side"})  # also what is done, or how: "back up"
THINGS = frozenset({"tape", "card", "box", "bin", "paper", "roll", "seal", "ballot", "cord", "battery", "lid", "key"})
RANGE = ("to", "thru", "through")  # "M thru R" for M-R
ORDINALS = {number: word for word, number in PLACES.items() if word.isalpha()}
GAP = re.compile(r"[\s\-_/.#'\u2019\"]{0,2}")
NOUN_AFTER = re.compile(
    rf"[\s\"'\u201d-]{{1,3}}(?:(?:side|end|room|marking|voting|ballot|touch|check[\s-]?in|poll)\s+){{0,2}}({NOUN}|one)\b",
    re.I,
)
NOUN_BEFORE = re.compile(
    rf"\b({NOUN}|one)(?:\s+(?:is|was|called|named|marked|label+ed)|\s*[#:-])?[\s\"'\u201c(]+$", re.I
)
NOUN_BY = re.compile(
    rf"\b({NOUN}|one)(?:\s+[\w']+){{0,3}}?\s+(?P<by>at|in|by|near|next\s+to|on|of|from|beside|behind|with|de)"
    r"(?:\s+(?:the|our|a|la|el))?\s+$",
    re.I,
)
BEGINS = re.compile(r"(?:^|[.;:!?,(\n&+]|\b(?:and|but|now|so|while))\s*(?:the\s+|our\s+)?$", re.I)
AFTER_ARTICLE = re.compile(r"\b(?:the|an?|our|his|her|their|every|each)\s+$", re.I)
LOOK_BACK = 60  # letters before a name in which a word for a device is looked for: our choice
SEVERAL = re.compile(r"\b(?:all|both|every|each|several)\b|\b\d+\s+(?:of\b|[a-z]+s\b)", re.I)
NOT_IT = re.compile(r"^\W*(?:not|other\s+than|except|all\s+but)\b", re.I)
DEVICE = re.compile(NOUN, re.I)
COLUMN_NOUN = re.compile(rf"\b({NOUN}|sc|md)(?:\b|(?=\d))", re.I)
FILLER = re.compile(r"\b(?:the|our|ones?|that|by|at|in|on|near|with|no|nr|num|number|side|of|de|la|el)\b", re.I)


def labels_at(book: UnitBook, site_id: str | None) -> Labels | None:
    """What the units of a site are called; null where they are called nothing besides their tags."""
    site_id = site_id or ""
    if site_id not in book.labels:
        book.labels[site_id] = labels_of(book.at_site.get(site_id, []))
    return book.labels[site_id]


def labels_of_county(book: UnitBook) -> Labels | None:
    """What all units are called; null where they are called nothing besides their tags."""
    if COUNTY not in book.labels:
        book.labels[COUNTY] = labels_of([unit for unit in book.units if unit.site_id])
    return book.labels[COUNTY]


def labels_of(here: list[Unit]) -> Labels | None:
    """What some units are called, by the ways to say it; null where they are called nothing. Whole tags go before."""
    found = Labels([unit for unit in here if unit.labels])
    tags = found.tags = {form: unit for unit in here for form, _ in unit.whole}
    counts = Counter((unit.type, part) for unit in here for label in unit.labels for part in set(label))
    for unit in found.units:
        for label in unit.labels:
            own = {form for p in label if is_telling(p) and counts[unit.type, p] == 1 for form in forms_of_word(p)}
            for form in {*forms_of(label), *own}:
                if tags.get("".join(form), unit) is unit:
                    found.said.setdefault(form, []).append(unit)
    found.begin = frozenset(form[0] for form in found.said)
    return found if found.units else None


def is_telling(part: str) -> bool:
    """Whether a word of a name may stand for it: "red" of "red tape", and neither "tape" nor "scanner"."""
    return len(part) >= OWN_LETTERS and part.isalpha() and part not in THINGS and not DEVICE.fullmatch(part)


def forms_of_word(word: str) -> Iterator[tuple[str, ...]]:
    """The ways to say a word of a name: "stripes" and "stripe", "dino" for "dinosaur", "flag-pole" for "flagpole"."""
    yield from ((w,) for w in numbers_of(word))
    cuts = (word[:n] for n in range(CUT_LETTERS, len(word) - 1))
    yield from ((cut,) for cut in cuts if not is_common(cut))
    halves = ((word[:n], word[n:]) for n in range(OWN_LETTERS, len(word) - OWN_LETTERS + 1))
    yield from (both for both in halves if all(map(is_common, both)))


def numbers_of(word: str) -> Iterator[str]:
    """A word, and it in the plural or the singular."""
    yield word
    if not word.endswith("s"):
        yield word + "s"
    else:
        yield word[:-1]
        if word.endswith("es"):
            yield word[:-2]


def forms_of(label: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """The ways to say a name, but for numbers and letters by themselves: "lane 2", "L2", "second lane"; "M thru R"."""
    if len(label) > 1 or (len(label[0]) > 1 and label[0].isalpha()):
        yield from ((*label[:-1], last) for last in (numbers_of(label[-1]) if is_telling(label[-1]) else label[-1:]))
    if len(label) != 2:
        return
    first, last = label
    if len(first) == len(last) == 1 and (first + last).isalpha():
        yield from ((first, word, last) for word in RANGE)
    elif len(first) > 1 and first.isalpha():
        yield (first[0], last) if last.isdigit() else (first[0] + last,)
        if last in ORDINALS:
            yield ORDINALS[last], first


@dataclass(frozen=True)
class Mention:
    """Where a text says what units are called, which they may be, and whether it can say nothing else there."""

    start: int
    end: int
    units: tuple[Unit, ...]
    is_sure: bool

    def unit(self, wanted: tuple[str, ...]) -> Unit | None:
        """The one that is meant: of the kind in trouble, where several are called so or other things may be."""
        is_open = len(self.units) > 1 or not self.is_sure
        fits = [u for u in self.units if u.type in wanted] if is_open else self.units
        return fits[0] if len(fits) == 1 else None


def in_text(labels: Labels, text: str, wanted: tuple[str, ...], types: Types) -> str:
    """A text in which what units are called is written as their ids.

    Parameters
    ----------
    wanted : the types of unit that the trouble is about; empty where that is not known
    types : the types that a word for a device is of
    """
    meant = ((mention, mention.unit(wanted)) for mention in mentions(labels, text, types))
    return replaced(text, [(mention, id_of(unit)) for mention, unit in meant if unit])


def without(labels: Labels, text: str, types: Types) -> str:
    """A text without what units are called, for that says nothing of their trouble: "blue tape jammed"."""
    return replaced(text, [(mention, "it") for mention in mentions(labels, text, types)])


def replaced(text: str, by: list[tuple[Mention, str]]) -> str:
    """A text with something else at the places of mentions."""
    for mention, other in reversed(by):
        text = text[: mention.start] + other + text[mention.end :]
    return text


def mentions(labels: Labels, text: str, types: Types) -> list[Mention]:
    """Where a text says what units are called, in order, none within another."""
    tokens = [(m.group().lower(), m.start(), m.end()) for m in PART.finditer(text)]
    found: list[Mention] = []
    for i, (word, start, _) in enumerate(tokens):
        is_within = (found and start < found[-1].end) or (start and text[start - 1].isalnum())
        if word not in labels.begin or is_within:
            continue
        for form, end in runs(text, tokens[i : i + MOST_PARTS]):
            units = labels.said.get(form)
            mention = mention_of(text, form, start, end, units, types) if units else None
            if mention:
                found.append(mention)
                break
    return found


def runs(text: str, tokens: list[tuple[str, int, int]]) -> list[tuple[tuple[str, ...], int]]:
    """The first words of some and where they end, most first, as far as no more than a mark stands between two."""
    joined = [bool(GAP.fullmatch(text, end, start)) for (_, _, end), (_, start, _) in pairwise(tokens)]
    size = joined.index(False) + 1 if False in joined else len(tokens)
    words = [tokens[0][0], *(ONES.get(word, word).lstrip("0") or "0" for word, _, _ in tokens[1:size])]
    ends = [end for _, _, end in tokens[:size]]
    return [(tuple(words[:n]), ends[n - 1]) for n in range(size, 0, -1) if not text[ends[n - 1] :][:1].isalnum()]


def mention_of(
    text: str, form: tuple[str, ...], start: int, end: int, units: list[Unit], types: Types
) -> Mention | None:
    """What a text says where it says a name, if it may be that name."""
    beside = noun_beside(text, form, start, end)
    if beside:
        noun, begin = beside
        of = types(noun)
        fits = tuple(u for u in units if u.type in of or not of)
        return Mention(begin, end, fits, is_sure=True) if fits else None
    said, first = text[start:end], form[0]
    is_other = is_common(first)
    is_bare = not AFTER_ARTICLE.search(text, max(0, start - LOOK_BACK), start)
    is_code = len(form) == 2 and form[1].isdigit() and len(first) <= CODE_LETTERS and " " not in said
    if is_code or (len(form) == 1 and said[0].isupper() and not is_other and is_bare):
        return Mention(start, end, tuple(units), is_sure=True)
    begins = BEGINS.search(text, max(0, start - LOOK_BACK), start) is not None
    may_be = len(form) > 1 or (first not in SIDES and (begins or not is_other))
    return Mention(start, end, tuple(units), is_sure=False) if may_be else None


def noun_beside(text: str, form: tuple[str, ...], start: int, end: int) -> tuple[str, int] | None:
    """The word for a device that a name stands beside, and where the name, "next to the stage", begins; else null."""
    back = max(0, start - LOOK_BACK)
    after = NOUN_AFTER.match(text, end)
    if after and not after.group(1).endswith("s"):  # several
        noun = after.group(1).lower()
        is_name = noun != "one" or form[0] not in SIDES  # "nobody left one", but "the left one"
        if is_name or AFTER_ARTICLE.search(text, back, start) or BEGINS.search(text, back, start):
            return noun, start
    is_other = len(form) == 1 and is_common(form[0])  # "the scanner is back", "the scanner door"
    before = None if is_other else NOUN_BEFORE.search(text, back, start)
    by = None if before else NOUN_BY.search(text, back, start)
    found, begin = (by, by.start("by")) if by else (before, start)
    return (found.group(1).lower(), begin) if found and not found.group(1).endswith("s") else None


def is_common(word: str) -> bool:
    """Whether a word is one of ordinary English, of the trade or of places."""
    return word in EVERYDAY or word in ordinary_words()


def called(labels: Labels, said: str, text: str, types: Types) -> list[Unit]:
    """The units called as the column for the unit says, numbers and letters aside, or else as the text does surely."""
    parts = tuple(parts_of(said))
    found = labels.said.get(parts) or [u for m in mentions(labels, text, types) if m.is_sure for u in m.units]
    is_mark = len("".join(parts)) <= 1 or "".join(parts).isdigit()
    return found if found or is_mark else fitting(labels, said, types)


def in_column(labels: Labels, said: str, wanted: tuple[str, ...], types: Types) -> str:
    """What a column for the unit says, as the id of the one that is called so; as it is where there is no such one."""
    told = NOT_IT.sub("", said)
    if SEVERAL.search(told):
        return said
    fits = fitting(labels, told, types)
    fits = [u for u in fits if u.type in wanted] if len(fits) > 1 else fits
    if len(fits) != 1:
        return said
    if told == said:
        return id_of(fits[0])
    others = [u for u in labels.units if u.type == fits[0].type and u is not fits[0]]
    return id_of(others[0]) if len(others) == 1 else ""


def fitting(labels: Labels, said: str, types: Types) -> list[Unit]:
    """The units that a column for the unit may name: whole, cut, but for a word for a device, in part, with a slip."""
    of = {t for noun in COLUMN_NOUN.findall(said) for t in types(noun.lower())}
    units = [u for u in labels.units if u.type in of or not of]
    parts = tuple(parts_of(said))
    rest = tuple(parts_of(COLUMN_NOUN.sub(" ", FILLER.sub(" ", said))))
    word = "".join(parts)
    is_own = bool(rest) and word not in labels.tags  # "pb" is no "purple box"
    tries: tuple[Callable[[Unit], bool], ...] = (
        lambda u: parts in u.labels or u in labels.said.get(parts, ()) or (len(parts) == 1 and parts[0] in u.marks),
        lambda u: any(sorted(parts) == sorted(label) for label in u.labels),
        lambda u: is_own and any(is_cut(word, label) for label in u.labels),
        lambda u: rest in u.labels or (len(rest) == 1 and rest[0] in u.marks),
        lambda u: any(u in labels.said.get((part,), ()) for part in rest),
        lambda u: (
            is_own and len(word) >= SLIP_LETTERS and any(OSA.distance(word, "".join(label)) == 1 for label in u.labels)
        ),
    )
    return next((fits for fit in tries if (fits := [u for u in units if fit(u)])), [])


def is_cut(said: str, label: tuple[str, ...]) -> bool:
    """Whether a word is a name cut short, each of its parts in turn: "ydot", "sc1", "izq"; numbers are not cut."""
    if not label or not said:
        return not label and not said
    first, *rest = label
    if first.isdigit():
        return said.startswith(first) and is_cut(said[len(first) :], tuple(rest))
    sizes = (n for n in range(len(said), 0, -1) if said[:n] == first or is_cut_from(said[:n], first))
    return any(is_cut(said[n:], tuple(rest)) for n in sizes)
