"""Units named otherwise than by number: by a letter or a word that sets a tag apart, or by their place in a count.

"Scanner B", "the Heron machine", "the second tabulator", "tablet Charlie", "tee twelve". Common practice, no source.
"""

import re
from collections.abc import Callable, Sequence
from functools import lru_cache

from pipeline.normalise import unit_letters
from pipeline.normalise.spoken import ONES, digits, in_digits
from pipeline.normalise.spoken import WORD as NUMBER_WORD
from pipeline.normalise.unit_letters import UNORDERED
from pipeline.normalise.unit_numbers import COUNT_UNIT, DEVICE, bare_name
from pipeline.normalise.unit_roster import Unit
from pipeline.normalise.word_lists import words_of

# The ICAO and ITU spelling alphabet, in the ways that call-takers write it.
ALPHABET = words_of(
    "alpha bravo charlie delta echo foxtrot golf hotel india juliet kilo lima mike november oscar papa quebec romeo"
    " sierra tango uniform victor whiskey xray yankee zulu"
)
SOUNDS = dict(  # a letter as dictation writes its name, where that is no common word
    words.split("=")
    for words in words_of(
        "bee=b cee=c dee=d eff=f gee=g aitch=h jay=j kay=k ell=l em=m en=n pee=p cue=q ess=s tee=t tea=t vee=v ex=x"
        " zee=z alfa=a juliett=j whisky=w"
    )
)
LETTERS = {word: word[0] for word in ALPHABET} | SOUNDS
SAID = "|".join((*LETTERS, "[a-z]"))
NOUN = rf"(?:{DEVICE})"
AFTER = re.compile(
    rf"\b({NOUN})\s*(?:letter|marked|label+ed|tagged|called|designated|designation|is|#|no\.?)?\s*[\"'\u201c(]*\b({SAID})\b(?!['\u2019-]\w|\s*[:/]\s*\d)",
    re.I,
)
BEFORE = re.compile(rf"\b(?:the|our|my)\s+[\"'\u201c]?({SAID})[\"'\u201d]?\s+(?:{NOUN}|one)\b", re.I)
BEFORE_NOUN = re.compile(rf"({NOUN}|one)$", re.I)
ENDS = re.compile(r"\W*(?:$|[.,;:!?)\"'\u201d])")  # what follows an "a" that is a letter and no article
FIRST = words_of("first second third fourth fifth sixth")
PLACES = {w: str(n) for n, w in enumerate(FIRST, 1)} | dict(
    zip(("1st", "2nd", "3rd", "4th", "5th", "6th"), "123456", strict=True)
)
ROMAN = {"ii": "2", "iii": "3", "iv": "4"}
ORDINAL = re.compile(
    rf"\b({'|'.join(PLACES)})\s+(?:(?:ballot|voting|check[\s-]?in|sign[\s-]?in|touch|marking|poll)\s+)?({NOUN})\b", re.I
)
COUNTED = re.compile(
    rf"(?:#\s?|\b(?:no|nr|num|number)\b\.?\s*)(\d{{1,2}}|{'|'.join(ONES)})\s+({NOUN}|check[\s-]?in)\b"
    rf"|\b({NOUN})\s*(?:\#\s?|(?:no|nr|num|number)\b\.?\s*)?(\d{{1,2}}|{'|'.join(ONES)}|{'|'.join(ROMAN)})\b(?![:%/-]|[.,]\d)",
    re.I,
)
HASHED = re.compile(  # "#2 is jammed", "number five died"
    rf"(?:#\s?|\b(?:no|nr|number)\b\.?\s*)(\d{{1,2}}|{'|'.join(ONES)})"
    r"(?=\s*(?:$|[.,;:!?)]|(?:is|was|has|won'?t|wont|isn'?t|just|keeps?|again|died|dead|jam\w*|froze\w*|down|stuck|beep\w*"
    r"|reject\w*|blank|dark)\b))",
    re.I,
)
BEGINS = re.compile(  # "2 isn't finding anybody"
    r"^\W*(\d{1,2})\s+(?:is|isn'?t|won'?t|wont|can'?t|cannot|doesn'?t|has|keeps?|still)\s", re.I
)
NUMBERED_THING = re.compile(  # "transfer bag no. 2", "booth number 4", "scanner no. 1": that is no "#1" by itself
    rf"\b(?:{DEVICE}|(?:bag|box|case|tub|cart|booth|table|desk|room|door|seal|pct|precinct|page|sheet|ballot|question|error"
    r"|code|step|item|lot)s?)[^\w.;:!?]*$",
    re.I,
)
ENDING = re.compile(r"(?<![\w/.-])(?=[\w/-]*\d)(?=[\w/-]*[a-z])[\w/-]{3,}\b", re.I)  # letters and digits: "7C41"
ENDING_LETTERS = re.compile(r"\b(?:ending|ends)\s+(?:in\s+|with\s+)?[\"']?([a-z]{1,3})\b", re.I)
SPELLED = re.compile(rf"\b({SAID})[\s-]+(\d{{1,4}}|{NUMBER_WORD})\b(?![:/%]|\s*(?:am|pm)\b)", re.I)
ARTICLES = ("a", "i")
VOTED_ON = ("machine", "machines", "mach")  # by itself the word is of what is voted on, and of no poll book
EVERYDAY = frozenset(
    words_of(
        "red blue green yellow orange purple white black grey gray brown pink silver gold amber left right north south"
        " east west front back rear middle center centre door window stage wall main side top new old spare lobby gym"
        " hall kitchen library school church room early late day night one two three"
    )
)
Types = Callable[[str], tuple[str, ...]]  # the types of unit that a word for a device is of; empty where it may be any


def by_run(here: Sequence[Unit], forms: dict[str, int], said: str, wanted: tuple[str, ...]) -> Unit | None:
    """The one unit of the site parts of whose tag stand in a text, whatever the marks between: "scn0412", "7-B".

    Parameters
    ----------
    forms : the forms that whole tags in the text can have (`unit_numbers.whole_tags`)
    said : the text
    wanted : the types of unit that the trouble is about, where several fit
    """
    fits = [u for u in here if any(run in forms and not is_hour(run, said) for run in u.runs)]
    fits = [u for u in fits if u.type in wanted] if len(fits) > 1 else fits
    return fits[0] if len(fits) == 1 else None


def by_end(here: Sequence[Unit], said: str) -> Unit | None:
    """The one unit of the site whose id or serial ends in letters and digits that stand in a text: "ends in 7C41"."""
    for m in ENDING.finditer(said):
        end = bare_name(m.group())
        fits = [u for u in here if any(name != end and name.endswith(end) for name in u.names)]
        if len(fits) == 1:
            return fits[0]
    return None


def is_hour(run: str, said: str) -> bool:
    """Whether parts of a tag stand in a text as a time of day may: "7a", "10 p"."""
    hour = re.fullmatch(r"(\d{1,2})([ap])", run)
    return bool(hour and not re.search(rf"\b(?:0{hour.group(1)}|{hour.group(1)}-?(?={hour.group(2).upper()}))", said))


def by_mark(here: Sequence[Unit], said: str, wanted: tuple[str, ...], types: Types) -> Unit | None:
    """The one unit of the site that is named by a letter, a word of its own or its place in a count.

    Parameters
    ----------
    wanted : the types of unit that the trouble is about
    types : the types that a word for a device is of
    """
    for noun, mark in marks_said(said):
        of = types(noun) or wanted
        among = [u for u in here if (u.type in of if of else noun not in VOTED_ON or u.type not in UNORDERED)]
        fits = [u for u in among if is_marked(u, mark, among)]
        if len(fits) == 1:
            return fits[0]
    return by_word(here, said)


def by_order(here: Sequence[Unit], said: str, wanted: tuple[str, ...], types: Types) -> Unit | None:
    """The unit of the kind in trouble that "scanner 2" means where no tag is counted so: by the roster's order.

    A guess, and none for poll books, which are numbered as they come out of their case (docs/methods/reading.md).
    """
    for noun, mark in marks_said(said):
        of = types(noun) or wanted
        among = [
            u
            for u in here
            if not u.marks and u.type in of and u.type in wanted and not u.is_spare and u.type not in UNORDERED
        ]
        place = int(mark) if mark.isdigit() else unit_letters.place_by_order(among, mark)
        if 0 < place <= len(among) > 1:
            return among[place - 1]
    return None


def is_marked(unit: Unit, mark: str, among: Sequence[Unit]) -> bool:
    """Whether a unit is called so, a letter ends its tag, or a number counts it where a place's tags count from one."""
    if any(mark in u.marks for u in among):
        return mark in unit.marks
    if not mark.isdigit():
        return mark in unit.letters
    alike = [u for u in among if u.type == unit.type]
    letter = unit_letters.place_of(alike, mark) if len(alike) > 1 else mark
    if not letter.isdigit():  # "the second machine" is B
        return letter in unit.marks or letter in unit.letters
    tags = [u.parts for u in among if u.type == unit.type]
    for end in (-1, -2, -3, 0, 1):  # the part of the tag that counts: "07-S2", "S2-LIB"
        numbers = [parts[end] for parts in tags if -len(parts) <= end < len(parts)]
        if sorted(numbers) == sorted(str(n) for n in range(1, len(tags) + 1)):
            return unit.parts[end] == mark
    return False


def by_word(here: Sequence[Unit], said: str) -> Unit | None:
    """The one unit of the site whose tag has a word of its own that stands in a text.

    A word that people say of other things too ("green", "left") counts beside a word for a device alone.
    """
    said = said.lower()
    fits = [u for u in here if any(stands(word, said) for word in u.words)]
    return fits[0] if len(fits) == 1 else None


def stands(word: str, said: str) -> bool:
    """Whether a word of a tag stands in a text as a name."""
    if word not in said:
        return False
    if word in EVERYDAY:
        return re.search(rf"\b{word}\s+(?:{NOUN}|one)\b|\b{NOUN}\s+{word}\b|^\W*{word}\W*$", said) is not None
    return re.search(rf"\b{word}\b", said) is not None


@lru_cache(maxsize=10_000)
def marks_said(said: str) -> tuple[tuple[str, str], ...]:
    """The letters and places in a count by which a text may name a unit, each after the word for a device beside it."""
    text, found = in_digits(said), list[tuple[str, str]]()
    for m in AFTER.finditer(text):
        if COUNT_UNIT.match(text, m.end()):
            continue
        word = m.group(2).lower()
        if word not in ARTICLES or ENDS.match(text, m.end()) or (word == "a" and m.group(2) == "A"):
            found.append((m.group(1).lower(), LETTERS.get(word, word)))
    for m in BEFORE.finditer(text):
        noun = BEFORE_NOUN.search(m.group())
        found.append((noun.group().lower() if noun else "", LETTERS.get(m.group(1).lower(), m.group(1).lower())))
    found += [(m.group(2).lower(), PLACES[m.group(1).lower()]) for m in ORDINAL.finditer(text)]
    for m in COUNTED.finditer(text):
        number, device = (m.group(1), m.group(2)) if m.group(1) else (m.group(4), m.group(3))
        if not COUNT_UNIT.match(text, m.end()):
            found.append((device.lower(), as_digits(number.lower())))
    hashed = (m for m in HASHED.finditer(text) if not NUMBERED_THING.search(text, 0, m.start()))
    found += [("", as_digits(m.group(1).lower())) for m in hashed]
    begins = BEGINS.match(text)
    found += [("", as_digits(begins.group(1)))] if begins else []
    found += [("", m.group(1).lower()) for m in ENDING_LETTERS.finditer(text)]
    return tuple(found)


def as_digits(number: str) -> str:
    """A number's digits without leading zeros, from digits, a word or a Roman numeral."""
    return ROMAN.get(number) or ONES.get(number) or number.lstrip("0") or "0"


@lru_cache(maxsize=10_000)
def spelled(text: str) -> tuple[tuple[str, str], ...]:
    """Letters and numbers after them that were spelled out and may be a tag: "tee twelve", "echo 22", "c-five"."""
    found = []
    for m in SPELLED.finditer(in_digits(text)):
        letter, number = m.group(1).lower(), m.group(2).lower()
        if letter not in ARTICLES and not (len(letter) == 1 and number.isdigit()):
            found.append((LETTERS.get(letter, letter), number.lstrip("0") if number.isdigit() else digits([number])))
    return tuple(found)
