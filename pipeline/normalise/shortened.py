"""Words of a place as people cut them: "Pub Wks", "N'side", "Imm Hse", "V.F.W. Post", and the only site they fit.

Each word said has to fit a word of the site's name, aliases, address or room as the roster writes it. Words said
whole are tried first; cut words only where none fits so.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from rapidfuzz import process
from rapidfuzz.distance import OSA

from pipeline.normalise.kept import remembered
from pipeline.normalise.place_words import ALIKE, FILLERS, NUMERALS, STREETS, plain
from pipeline.normalise.word_lists import words_of

Key = TypeVar("Key")
WHOLE, CUT, SLIP = range(3)  # how a word fits
LEAST = 3  # letters of a cut word by itself; two where other words are said too: our choice
# A place may be called so whatever the roster calls it: "the church" for a chapel.
LOOSE = frozenset({"fellowship", "school", "hall", "center", "fire", "gymnasium", "room", "library"})
SCHOOLS = frozenset({"elementary", "middle", "high"})
TOKEN = re.compile(r"[a-z]+|\d+(?:st|nd|rd|th)?")
DOTTED = re.compile(r"\b(?:[a-z]\.\s?){2,}(?![a-z])")  # "V.F.W."
# Words that tell more than the kind of place they stand for, and one that stands for two kinds of street.
OWN = frozenset(
    words_of("church chapel parish temple congregation vfw legion firehouse firehall academy bookmobile pk")
)


@dataclass
class Shortened:
    """The words of each site as the roster writes them, by word."""

    by_word: dict[str, frozenset[int]]
    by_kind: dict[str, frozenset[int]]
    by_name: dict[frozenset[str], frozenset[int]]
    fitting: dict[tuple[str, int], frozenset[int]] = field(default_factory=dict)


def words_of_site(text: str) -> list[str]:
    """Words as they stand, lower case: initials without their dots, numbers in digits, no apostrophes."""
    text = DOTTED.sub(lambda m: re.sub(r"[.\s]", "", m.group(0)) + " ", plain(text)).replace("'", "")
    return [common(w) for w in TOKEN.findall(text)]


def common(word: str) -> str:
    """A number, a direction, a kind of street or place in one form; any other word as it is."""
    if word[0].isdigit():  # "2nd Street" is Second Street
        return word.rstrip("stndrh").lstrip("0") or "0"
    return NUMERALS.get(word, word if word in OWN else ALIKE.get(word, word))


def shortened(rows: Iterable[dict[str, Any]]) -> Shortened:
    """The index of a roster of sites, in the order of the gazetteer's places."""
    words: dict[str, set[int]] = {}
    kinds: dict[str, set[int]] = {}
    names: dict[frozenset[str], set[int]] = {}
    for i, row in enumerate(rows):
        told = " ; ".join(row.get(k) or "" for k in ("name", "aliases", "address", "room"))
        for word in words_of_site(told):
            words.setdefault(word, set()).add(i)
            kind = ALIKE.get(word, word)
            kinds.setdefault("school" if kind in SCHOOLS else kind, set()).add(i)
        for name in (row["name"] or "", *(row.get("aliases") or "").split(";")):
            names.setdefault(frozenset(telling(words_of_site(name))), set()).add(i)
    return Shortened(fixed(words), fixed(kinds), fixed(names))


def fixed(index: dict[Key, set[int]]) -> dict[Key, frozenset[int]]:
    """An index whose sets no longer change."""
    return {key: frozenset(sites) for key, sites in index.items()}


def telling(words: list[str]) -> list[str]:
    """Words without those that say nothing about which place, unless there are no others."""
    return [w for w in words if w not in FILLERS] or words


def only_fit(book: Shortened, said: str) -> int | None:
    """The place of the only site that all words said fit; null where none or several do.

    Parameters
    ----------
    said : the place as the caller said it, without what names a precinct
    """
    told = telling(words_of_site(said))
    if not told or (len(told) == 1 and (told[0] in STREETS or (told[0].isdigit() and len(told[0]) == 1))):
        return None
    named = book.by_name.get(frozenset(told), frozenset())
    if len(named) == 1:
        return next(iter(named))
    for how in (WHOLE, CUT, SLIP):
        fits = frozenset.intersection(*(sites_of(book, w, how, LEAST - (len(told) > 1)) for w in told))
        if fits:
            return next(iter(fits)) if len(fits) == 1 else None
    return None


def sites_of(book: Shortened, word: str, how: int, least: int) -> frozenset[int]:
    """Sites that have a word; or one that it may be cut from; or one that it may be a slip of the keys for.

    Parameters
    ----------
    least : letters of a cut word
    """
    key = (word, how if len(word) >= least and word.isalpha() else WHOLE)
    return remembered(book.fitting, key, lambda: find_sites_of(book, *key))


def find_sites_of(book: Shortened, word: str, how: int) -> frozenset[int]:
    """`sites_of`, worked out anew."""
    kind = ALIKE.get(word, word)
    found = book.by_word.get(word, frozenset())
    if kind in LOOSE and word in LOOSE | {"church"}:
        found |= book.by_kind.get(kind, frozenset())
    if how >= CUT:
        found = found.union(*(sites for w, sites in book.by_word.items() if is_cut_from(word, w)))
    if how == SLIP and len(word) > LEAST and not found:
        near = process.extract(word, list(book.by_word), scorer=OSA.distance, score_cutoff=1 + (len(word) >= 9))
        found = found.union(*(book.by_word[w] for w, _, _ in near))
    return found


def is_cut_from(word: str, whole: str) -> bool:
    """Whether a word is another one cut: its beginning, or some of its letters in order with its first and last."""
    if len(word) >= len(whole) or word[0] != whole[0] or not whole.isalpha():
        return False
    if whole.startswith(word):
        return True
    rest = iter(whole)
    return word[-1] == whole[-1] and all(c in rest for c in word)
