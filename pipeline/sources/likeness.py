"""How alike a name of theirs is to a name of ours; the words are in `likeness.toml`, which a county may extend."""

import re
import tomllib
from collections.abc import Iterable
from functools import cache
from itertools import islice, product
from pathlib import Path
from typing import Any

from rapidfuzz import fuzz

from pipeline.sources.meanings import plain_word, shortens

WORDS = Path(__file__).with_name("likeness.toml")
KIN = 0.95  # likeness of two words of one line of `[kin]`, as `sent` and `dispatched`: our choice
SHORTENED = 0.9  # likeness of a word and a short form that no list has, as `rsln` of `resolution`: our choice
LIGHT_WEIGHT = 0.4  # of a word such as `id` or `time`, against 1 of a telling one: our choice
SAME_WORD = 0.8  # rapidfuzz ratio from which two words count as forms of one: our choice
SAME_NAME = 0.84  # the same for whole names, written without blanks: our choice
HOLDS_NAME = 0.8  # likeness of a header that holds a whole name of ours and more, as `Site Called From`: our choice
MOST_READINGS = 8  # of one header whose short forms mean several things [count]
BRACKETS = re.compile(r"\([^()]*\)|\[[^\[\]]*\]")
SHORTEST = 5  # letters; shorter names are not compared letter by letter, `open` and `pen` would pass


@cache
def words() -> dict[str, Any]:
    """The data file."""
    return tomllib.loads(WORDS.read_text("utf-8"))


@cache
def vocabulary() -> frozenset[str]:
    """Every word and short form of the names, to take `OPENDT` apart."""
    names = [n for kind in words()["names"].values() for many in kind.values() for n in many]
    ours = [column for kind in words()["names"].values() for column in kind]
    spelled = {w for name in (*names, *ours) for w in re.findall(r"[a-z]+", name)}
    return frozenset(w for w in spelled | set(words()["short"]) if len(w) > 1)


def pieces(name: str) -> list[str]:
    """A header's words: split at case, digits and marks, lower case."""
    whole = re.sub(r"(?<=[^\W\d_])['’](?=[^\W\d_])", "", name)  # Rec'd is one word
    parted = re.sub(r"([a-z\d])([A-Z])", r"\1 \2", re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", whole))
    return re.findall(r"[^\W\d_]+|\d+", parted.replace("#", " number ").replace("%", " percent ").casefold())


def taken_apart(word: str) -> list[str]:
    """A word written without blanks as the fewest known words, itself where that fails or where it is a short form."""
    known = vocabulary()
    if word in known or len(word) < SHORTEST - 1 or any(shortens(word, whole) for whole in known):
        return [word]
    best: list[list[str] | None] = [[]] + [None] * len(word)
    for end in range(2, len(word) + 1):
        for start in range(end - 1):
            before = best[start]
            if before is not None and word[start:end] in known:
                longer = [*before, word[start:end]]
                if best[end] is None or len(longer) < len(best[end] or []):
                    best[end] = longer
    return best[-1] or [word]


@cache
def readings(name: str) -> tuple[tuple[str, ...], ...]:
    """A name as comparable words: short forms written out, filler dropped, each word once.

    A short form that stands for several words (`clr`: caller or cleared) gives a reading for each, the likeliest first.
    """
    short, filler = words()["short"], set(words()["filler"]["words"])
    raw = [part for piece in pieces(name) for part in taken_apart(piece)]
    meant = [short.get(part) or short.get(part.removesuffix("s"), part) for part in raw]
    choices = [(m,) if isinstance(m, str) else tuple(m) for m in meant]
    found = []
    for chosen in islice(product(*choices), MOST_READINGS):
        full = [w for part in chosen for w in part.split()]
        found.append(tuple(dict.fromkeys([w for w in full if w not in filler] or full)))
    return tuple(dict.fromkeys(found))


def tokens(name: str) -> tuple[str, ...]:
    """A name as comparable words, in its likeliest reading."""
    return readings(name)[0]


@cache
def phrases(kind: str, column: str) -> tuple[tuple[str, ...], ...]:
    """The names that a column of ours goes by, our own first."""
    names = words()["names"]
    listed = [column, *(names.get(kind, {}).get(column) or names["any"].get(column, ()))]
    return tuple(dict.fromkeys(tokens(name) for name in listed))


@cache
def kin(word: str) -> frozenset[str]:
    """The words that stand for a word, itself too."""
    return frozenset((word, *(w for line in words()["kin"]["words"] if word in line for w in line)))


@cache
def same_word(a: str, b: str) -> float:
    """How alike a word of theirs and one of ours are [0 to 1]: by letters, as kin (`[kin]`), or as a short form.

    Short words are compared by letters only where one begins the other: `over` is no `rover`.
    """
    is_long = min(len(a), len(b)) >= SHORTEST or a.startswith(b) or b.startswith(a)
    by_letters = fuzz.ratio(a, b) / 100 if is_long else 0.0
    if b in kin(a):
        return max(by_letters, KIN)
    is_short = a not in vocabulary() and any(shortens(a, whole) for whole in kin(b))
    return max(by_letters, SHORTENED if is_short else 0.0)


@cache
def is_clerical(header: str) -> bool:
    """Whether a header is one that a data system keeps for itself, such as who keyed a row in."""
    return any(tokens(header) == tokens(name) for name in words()["clerical"]["names"])


@cache
def light(kind: str) -> frozenset[str]:
    """Words that say little in exports of this kind."""
    table = words()["light"]
    return frozenset((*table["any"], *table.get(kind, ())))


def name_likeness(theirs: str, kind: str, column: str) -> float:
    """How alike a header is to a column of ours, by the nearest of its names [0 to 1].

    What stands in brackets may be left out, as in `Charge at start (fraction)`; `name_units` reads that. So may the
    objects within which a value stood: `meter.level`.
    """
    bare = BRACKETS.sub(" ", theirs).strip(" -:,.?")
    inner = bare.rpartition(".")[2]
    read = {*readings(theirs), *(reading for part in (bare, inner) if tokens(part) for reading in readings(part))}
    return max(likeness(each, phrase, light(kind)) for each in read for phrase in phrases(kind, column))


@cache
def likeness(a: tuple[str, ...], b: tuple[str, ...], lighter: frozenset[str]) -> float:
    """Weighted share of words that a header and a name of ours have in common (Dice), by letters if that is greater."""
    if a == b or "".join(a) == "".join(b):
        return 1.0
    weight = {w: LIGHT_WEIGHT if w in lighter else 1.0 for w in (*a, *b)}
    pairs = sorted(((same_word(x, y), x, y) for x in a for y in b), reverse=True)
    common, left_a, left_b = 0.0, set(a), set(b)
    for alike, x, y in pairs:
        if alike >= SAME_WORD and x in left_a and y in left_b:
            common += alike * (weight[x] + weight[y])
            left_a.discard(x)
            left_b.discard(y)
    dice = common / (sum(weight[w] for w in a) + sum(weight[w] for w in b)) if a and b else 0.0
    if all(w not in left_b for w in b if w not in lighter) and any(w not in lighter for w in b):
        dice = max(dice, HOLDS_NAME)
    joined = "".join(a), "".join(b)
    by_letters = fuzz.ratio(*joined) / 100 if min(map(len, joined)) >= SHORTEST else 0.0
    return max(dice, by_letters if by_letters >= SAME_NAME else 0.0)


def folded(values: Iterable[str]) -> dict[str, str]:
    """Plain form without blanks → the value, for values that stay apart in that form."""
    out: dict[str, str] = {}
    clash: set[str] = set()
    for value in values:
        key = plain_word(value).replace(" ", "")
        if out.get(key, value) != value:
            clash.add(key)
        out[key] = value
    return {key: value for key, value in out.items() if key and key not in clash}


@cache
def usual(kind: str, column: str) -> tuple[float, float] | None:
    """What numbers of a column usually are, None where nothing is said."""
    ranges = words()["usual"]
    found = ranges.get(kind, {}).get(column) or ranges["any"].get(column)
    return (float(found[0]), float(found[1])) if found else None
