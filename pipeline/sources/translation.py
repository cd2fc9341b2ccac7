"""Their words → ours, for the values of one column: closed words, ids as a roster spells them; pure."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from rapidfuzz import fuzz

from pipeline.sources.looks import Ours, Theirs, items_of
from pipeline.sources.meanings import Match, meaning, plain_word, second_meaning
from pipeline.sources.roster import ROSTERS, Roster

WORD_SURE = 0.95  # probability that a word which the list names means what it says: our choice
LETTER_SURE = 0.7  # the same for one or two letters, which mean many things
SECOND_LIKENESS = 0.7  # likeness of a word to its second meaning: our choice
SLIP, SHORTEST_SLIP = 0.88, 4  # likeness and letters from which a word is another of its column, misspelt: our choice
ROWS_SURE = 0.75  # the same where only the rows' own times speak
ROWS_TELL = 3  # rows from which a word's times say how far its tickets have got [count]
MARKS = ("|", "\n", "/", " & ", " and ", ",", " - ")  # between the values of a cell, where no `;` is
LIST_SHARE = 0.15  # part of the cells that hold a mark from which it is taken to part them: our choice
MOST = 400  # lines of one list; a longer one is no list of words [count]


@dataclass(frozen=True)
class Word:
    """One word of theirs: how often it occurs [count], and how sure its meaning is [0 to 1]."""

    theirs: str
    rows: int
    sure: float


@dataclass(frozen=True)
class Translation:
    """Ours → words of theirs; `unknown` are words that nothing is known of, with their counts."""

    words: dict[str, list[Word]] = field(default_factory=dict)
    unknown: list[tuple[str, int]] = field(default_factory=list)


def mark_between(theirs: Theirs, ours: Ours) -> tuple[str, int] | None:
    """The mark between several values of a cell, and in how many cells it stands [count]; None where it is ours."""
    if ours.form not in ("names", "counts", "spans") or not theirs.values.len():
        return None
    if theirs.values.str.contains(";", literal=True).any():
        return None
    found = [(int(theirs.values.str.contains(mark, literal=True).sum()), mark) for mark in MARKS]
    count, mark = max(found, key=lambda f: f[0])
    digits = theirs.values.str.contains(r"^\S*\d\S*( \S*\d\S*)*$")
    if not count and ours.form == "names" and digits.all():  # `101 102 103`
        count, mark = int(theirs.values.str.contains(" ", literal=True).sum()), " "
    return (mark, count) if count and count >= LIST_SHARE * theirs.values.len() else None


def translation(theirs: Theirs, ours: Ours, roster: Roster) -> Translation:
    """How the values of a column are translated; empty where they are ours already, or free."""
    if ours.form == "word":
        return closed(once(theirs.counts), ours)
    if ours.form == "words":
        return closed(once(items_of(theirs)), ours)
    if ours.name in ROSTERS and not ours.is_key and roster.ids.get(ROSTERS[ours.name]):
        return listed(theirs, ours, roster)
    return Translation()


def closed(counts: list[tuple[str, int]], ours: Ours) -> Translation:
    """Words of a closed list, with how often each occurs [count]."""
    words: defaultdict[str, list[Word]] = defaultdict(list)
    unknown = []
    meant = {text: meaning(text, ours.name, ours.choices) for text, _ in counts}
    for text, count in counts:
        found = beside(text, ours.name, meant) or misspelt(text, meant)
        if found is None:
            unknown.append((text, count))
        elif text.casefold() != found.ours:
            words[found.ours].append(Word(text, count, sure_of(text) * found.likeness))
    return Translation({word: words[word] for word in ours.choices if word in words}, unknown)


def misspelt(text: str, meant: dict[str, Match | None]) -> Match | None:
    """The meaning of a word of the same column that is spelled nearly so: `eror` beside `error`."""
    alike = [(fuzz.ratio(text.casefold(), other.casefold()) / 100, other) for other, match in meant.items() if match]
    best, nearest = max(alike, default=(0.0, ""))
    found = meant.get(nearest)
    return Match(found.ours, best * found.likeness) if found and best >= SLIP and len(text) >= SHORTEST_SLIP else None


def beside(text: str, column: str, meant: dict[str, Match | None]) -> Match | None:
    """A word's meaning, or its second one where another word of the column has the first: `idle` beside `active`."""
    found, second = meant[text], second_meaning(text, column)
    others = {m.ours for other, m in meant.items() if m and other != text and not second_meaning(other, column)}
    if found is None or second is None or found.ours not in others or second in others:
        return found
    return Match(second, SECOND_LIKENESS)


def sure_of(text: str) -> float:
    """The probability that a listed word means what the list says."""
    return WORD_SURE if len(plain_word(text)) > 2 else LETTER_SURE


def by_progress(given: Translation, words: Sequence[str | None], times: dict[str, Sequence[str | None]]) -> Translation:
    """Words of a ticket's status that are not known, or only a letter, placed by the times in their rows.

    Parameters
    ----------
    given : the translation by meaning
    words : the status of each row, as it came
    times : the cells of `assigned_at` and `resolved_at`, where they were placed; without the latter a known letter
        keeps its meaning, and nothing unknown is taken as ended
    """
    if not times:
        return given
    out: dict[str, list[Word]] = {ours: [w for w in many if not is_letter(w)] for ours, many in given.words.items()}
    unknown = []
    letters = {w.theirs: (ours, w) for ours, many in given.words.items() for w in many if is_letter(w)}
    doubtful = [(text, count, None) for text, count in given.unknown]
    for text, count, known in [*doubtful, *((text, w.rows, ours) for text, (ours, w) in letters.items())]:
        rows = [i for i, word in enumerate(words) if word and word.strip().casefold() == text.casefold()]
        is_told = count >= ROWS_TELL and (known is None or "resolved_at" in times)
        told = progress(rows, times) if is_told else None
        if told is not None:
            out.setdefault(told, []).append(Word(text, count, WORD_SURE if told == known else ROWS_SURE))
        elif known is not None:
            out.setdefault(known, []).append(letters[text][1])
        else:
            unknown.append((text, count))
    return Translation({ours: many for ours, many in out.items() if many}, unknown)


def is_letter(word: Word) -> bool:
    """Whether a word is too short to mean one thing: its rows are asked too."""
    return word.sure <= LETTER_SURE and len(plain_word(word.theirs)) <= 2


def progress(rows: list[int], times: dict[str, Sequence[str | None]]) -> str | None:
    """How far the tickets of some rows have got, by the times that nearly all of them have; None if they differ."""

    def share(column: str) -> float:
        cells = times.get(column)
        return sum(bool((cells[i] or "").strip()) for i in rows) / len(rows) if cells else 0.0

    if share("resolved_at") >= 0.9:
        return "resolved"
    if share("resolved_at") > 0.1:
        return None
    if share("assigned_at") >= 0.9:
        return "assigned"
    return "open" if "assigned_at" in times and share("assigned_at") <= 0.1 else None


def listed(theirs: Theirs, ours: Ours, roster: Roster) -> Translation:
    """Ids that the roster spells otherwise, and places that go by their names."""
    ids, names = roster.ids[ROSTERS[ours.name]], roster.names_of(ours.name)
    words: defaultdict[str, list[Word]] = defaultdict(list)
    unknown = []
    for text, count in once(theirs.counts):
        found = names.get(plain_word(text).replace(" ", ""))
        if text in ids:
            continue
        if found is None:
            unknown.append((text, count))
        else:
            words[found].append(Word(text, count, 0.95))
    return Translation(dict(words), unknown) if sum(map(len, words.values())) <= MOST else Translation()


def once(values: dict[str, int]) -> list[tuple[str, int]]:
    """The distinct values whatever their case, as the profile reads them, with how often they occur."""
    counts: dict[str, int] = {}
    first: dict[str, str] = {}
    for text, count in values.items():
        key = text.casefold()
        first.setdefault(key, text)
        counts[key] = counts.get(key, 0) + count
    return [(first[key], count) for key, count in counts.items()]
