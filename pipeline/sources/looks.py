"""What the values of one of their columns look like, and how that speaks for or against each column of ours; pure.

The evidence of a column's values is a likelihood ratio: how much likelier such values are in our column than in any
other column of an export. It is multiplied with the odds that the names give.
"""

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import polars as pl

from pipeline.contracts.feeds import KEYS, schema_of
from pipeline.sources.clocks import clock_of
from pipeline.sources.likeness import folded, usual
from pipeline.sources.meanings import meaning, plain_word
from pipeline.sources.numbers import are_numbered, count_rows, read_numbers
from pipeline.sources.roster import ROSTERS, Roster
from pipeline.sources.scales import scaled, share_usual
from pipeline.sources.time_forms import DayOrder, TimeForms, in_order, is_date, is_time_of_day, time_forms

# Likelihood ratios, our choice: a form that few other columns have speaks loudly, its absence louder still.
TIMES_FIT, TIMES_FAIL = 8.0, 0.004
NUMBERS_FIT, NUMBERS_FAIL = 2.0, 0.004
UNUSUAL, HALF_USUAL = 0.02, 0.3  # most numbers, or some, are not what the column usually holds
WORDS_FIT, WORDS_FAIL, WORDS_UNKNOWN = 12.0, 0.05, 0.3
WORDS_SAID = 2.0  # the same for one word in all rows, or yes and no: they say little of what is asked
WORDS_ALONE = 60.0  # the same where no other list of the kind has these words: `ac` and `dc` are said of power only
CLOCKS_FIT, CLOCKS_FAIL = 10.0, 0.004
ROSTER_FIT, ROSTER_FAIL, ROSTER_OTHER = 25.0, 0.1, 0.02  # the last: they are the ids of another roster
ROSTER_NAMED = 12.0  # names of the roster where ids are asked for: ids that stand beside them are meant
UNIQUE_FIT, UNIQUE_FAIL = 3.0, 0.25
PROSE_FIT, PROSE_FAIL = 12.0, 0.2
NUMBERED, TIMES_AS_TEXT = 0.01, 0.02  # numbers where free text belongs, times where any text does
PHONES_CALLER, PHONES_KEY = 4.0, 0.1  # telephone numbers say who calls; they are no ticket's own id
RECORD_NUMBERS, RECORD_OR_REPORT = 0.03, 0.3  # numbers that count the rows; of one unit they may count its reports
NUMBERS_TELL = 4  # rows from which 1, 2, 3 … are their numbers [count]
ROW_NUMBERS, MACHINE_IDS, CODES = 0.15, 0.3, 1.5  # keys that no person would name a row by; codes, as `T-0041`
CODE = r"^[A-Za-z]{1,5}[-_ ]?\d{2,8}$"
MACHINE_ID = r"(?i)^\{?[0-9a-f]{8}-?[0-9a-f]{4}-?[0-9a-f]{4}-?[0-9a-f]{4}-?[0-9a-f]{12}\}?$"
FEW_CALLERS = 10  # calls by each of those named, from which they are rather those who answer [count]
EMPTY, EMPTY_REQUIRED = 0.7, 0.1
FITS = 0.95  # share of values from which a column as a whole has the form
PROSE = 20  # mean characters of free text; codes and names of places are shorter or have fewer words
TEXTS = {("tickets", "text"), ("tickets", "resolution"), ("sites", "address"), ("sites", "entrance")}
LISTS = {"aliases", "precincts", "skills", "parts", "breaks"}  # several values in a cell: long, and no prose
LISTED_FORMS = {  # cells of several values that have a form of their own, and what it is called
    "parts": (r"^[^:;]+:\d+(;[^:;]+:\d+)*;?$", "names with counts"),
    "breaks": (r"^\d\d:\d\d-\d\d:\d\d(;\d\d:\d\d-\d\d:\d\d)*$", "spans of time"),
}
ITEMS_PART = r"[;,/|\n]"  # between the words of a cell that holds several; as intake parts them
EVERYWHERE = {"y", "n", "yes", "no", "x", "t", "f", "true", "false", "0", "1", "on", "off", "ok"}
TELEPHONE = r"^\+?\(?\d[\d ().-]*[ ().-]+\d{4}(?: ?(?:x|ext\.?) ?\d+)?$|^\+?1?[2-9]\d{9}$"


@dataclass(frozen=True)
class Ours:
    """A column of ours as its contract tells of it."""

    kind: str
    name: str
    form: str  # time, number, word, clock, text
    is_required: bool
    low: float = 0.0
    high: float = 0.0
    is_whole: bool = False
    choices: tuple[str, ...] = ()
    is_key: bool = False
    is_personal: bool = False
    description: str = ""


@dataclass(frozen=True)
class Look:
    """What values say of one column of ours: the likelihood ratio, a phrase for it, and the share that can be read."""

    ratio: float
    said: str
    share: float = 1.0


def our_columns(kind: str) -> list[Ours]:
    """The columns of a kind, from its contract."""
    return [our_column(kind, name, column) for name, column in schema_of(kind).columns.items()]


def our_column(kind: str, name: str, column: Any) -> Ours:
    """One column of ours from its field."""
    bounds: dict[str, Any] = {}
    for check in column.checks:
        bounds |= check.statistics or {}
    dtype, form = column.dtype.type, (column.metadata or {}).get("form")
    if isinstance(dtype, pl.Datetime):
        form = "time"
    elif dtype != pl.String:
        form = "number"
    return Ours(
        kind=kind,
        name=name,
        form=form or "text",
        is_required=not column.nullable,
        low=bounds.get("min_value", 0.0),
        high=bounds.get("max_value", 0.0),
        is_whole=form == "number" and dtype != pl.Float64,
        choices=tuple(bounds.get("allowed_values", (column.metadata or {}).get("choices", ()))),
        is_key=KEYS[kind] == (name,),
        is_personal=bool((column.metadata or {}).get("personal")),
        description=column.description or "",
    )


@dataclass
class Theirs:
    """A column of theirs, or two put together: name, values without blanks, number of rows [count]."""

    name: str
    values: pl.Series
    rows: int
    days: DayOrder
    is_joined: bool
    cells: pl.Series  # a value or null for each row, for what two columns say together

    @cached_property
    def counts(self) -> dict[str, int]:
        """The distinct values and how often each occurs [count]."""
        frame = self.values.alias("value").value_counts(name="n") if self.values.len() else None
        return dict(sorted(frame.iter_rows(), key=lambda row: (-row[1], row[0]))) if frame is not None else {}

    @cached_property
    def times(self) -> TimeForms | None:
        """How the values are written as times, None where they are none."""
        return time_forms(list(self.counts), list(self.counts.values()), self.days)

    @cached_property
    def is_part_of_time(self) -> bool:
        """Whether the values are dates, or times of day, alone."""
        return is_date(list(self.counts)) or is_time_of_day(list(self.counts))

    @cached_property
    def numbers(self) -> pl.Series:
        """The values as numbers, null where they are none; read as intake does."""
        return read_numbers(self.values)

    @cached_property
    def moments(self) -> pl.Series | None:
        """The time of each row, as far as it is read and whatever its zone; None where the column holds none."""
        if self.times is None:
            return None
        read = in_order(self.cells, self.times)
        return read if read.null_count() < read.len() else None

    @cached_property
    def numbers_by_row(self) -> pl.Series | None:
        """The number of each row; None where most values are none, or where they are times."""
        if self.numbers.null_count() * 10 > self.numbers.len() or not self.numbers.len():
            return None
        return None if self.times is not None else read_numbers(self.cells)

    @cached_property
    def are_telephones(self) -> bool:
        """Whether nearly all values are telephone numbers, by how they are written."""
        return self.values.len() > 0 and float(self.values.str.contains(TELEPHONE).mean() or 0) >= FITS  # type: ignore[arg-type]

    @cached_property
    def number_rows(self) -> bool:
        """Whether the values are 1, 2, 3 … as the rows come."""
        nth = self.cells.cast(pl.Int64, strict=False)
        follows = (nth == nth.shift() + 1) | (nth == 1)  # from 1 again where a further file begins
        return nth.len() >= NUMBERS_TELL and nth[0] == 1 and bool(follows[1:].all()) and not follows.null_count() > 1

    @property
    def filled(self) -> float:
        """Part of the rows that have a value."""
        return self.values.len() / self.rows if self.rows else 0.0

    def part(self, hits: float) -> str:
        """`hits of all` for a comment."""
        return f"{hits:.0f} of {self.values.len()} values"


def look(theirs: Theirs, ours: Ours, roster: Roster) -> Look:
    """How the values of a column of theirs speak for a column of ours."""
    if theirs.is_joined and ours.form != "time":
        return Look(0.0, "a date and a time of day", 0.0)
    if not theirs.values.len():
        return Look(EMPTY_REQUIRED if ours.is_required else EMPTY, "no values in the sample")
    looks = {"time": look_time, "number": look_number, "word": look_word, "clock": look_clock, "words": look_words}
    found = looks.get(ours.form, look_text)(theirs, ours, roster)
    if ours.is_required and theirs.filled < FITS:
        missing = theirs.rows - theirs.values.len()
        said = f"{found.said}; {missing} of {theirs.rows} rows have none and would go to quarantine"
        return Look(found.ratio * (0.5 if theirs.filled > 0.5 else 0.1), said, found.share)
    return found


def weighed(share: float, fit: float, fail: float) -> float:
    """The ratio of a column in which a share of the values has the form: falls from `fit` to `fail` by the odds."""
    return fit if share >= FITS else max(fail, fit * (share / FITS) ** 6)


def look_time(theirs: Theirs, ours: Ours, _roster: Roster) -> Look:
    """For a column of moments."""
    forms = theirs.times
    if forms is None:
        return Look(TIMES_FAIL, "values are no times with a date", 0.0)
    ratio = weighed(forms.share, TIMES_FIT, TIMES_FAIL)
    return Look(ratio, f"{forms.read} of {forms.total} values are times", forms.share)


def look_number(theirs: Theirs, ours: Ours, _roster: Roster) -> Look:
    """For a column of numbers between bounds."""
    numbers, _ = scaled(theirs.name, theirs.values, ours.kind, ours.name)
    in_range = numbers.is_between(ours.low, ours.high)
    if ours.is_whole:
        in_range &= numbers == numbers.round()
    hits = int(in_range.fill_null(False).sum())
    share = hits / theirs.values.len()
    ratio = weighed(share, NUMBERS_FIT, NUMBERS_FAIL)
    if ours.name in ("latitude", "longitude"):
        ratio *= 3 if (numbers != numbers.round()).fill_null(False).mean() else 0.1
    if theirs.times is not None and theirs.times.is_epoch:
        ratio *= 0.1
    if theirs.numbers_by_row is not None and count_rows(theirs.numbers_by_row):
        told = RECORD_OR_REPORT if ours.name == "sequence" else RECORD_NUMBERS
        return Look(ratio * told, f"{theirs.part(hits)} are numbers that count the rows", share)
    known = usual(ours.kind, ours.name)
    is_usual = share_usual(numbers, ours.kind, ours.name)
    if known and is_usual < 0.9:
        ratio *= UNUSUAL if is_usual < 0.5 else HALF_USUAL
        said = f"{theirs.part(hits)} are numbers in range, but few are from {known[0]:g} to {known[1]:g}"
        return Look(ratio, said, share)
    number = "whole numbers" if ours.is_whole else "numbers"
    return Look(ratio, f"{theirs.part(hits)} are {number} in range", share)


def look_word(theirs: Theirs, ours: Ours, _roster: Roster) -> Look:
    """For a closed list of words: how many values have a meaning there."""
    counts = theirs.counts
    if len(counts) > max(12, 3 * len(ours.choices)):
        return Look(WORDS_FAIL, f"{len(counts)} different values, too many for a list of words", 0.0)
    hits = listed_in(ours, counts)
    share = hits / theirs.values.len()
    others = (o for o in our_columns(ours.kind) if o.form == "word" and o.name != ours.name)
    is_alone = share >= FITS and all(listed_in(o, counts) < FITS * theirs.values.len() for o in others)
    # few words, if not ours: a person can say what they mean
    ratio = max(WORDS_UNKNOWN, (WORDS_ALONE if is_alone else WORDS_FIT) * share**2)
    if all(word.replace(".", "").isdigit() for word in counts):
        ratio = min(ratio, 1.0)  # 0 and 1 mean something everywhere
    if len(counts) == 1 or all(plain_word(word) in EVERYWHERE for word in counts):
        ratio = min(ratio, WORDS_SAID)
    return Look(ratio, f"{theirs.part(hits)} are words that mean one of ours", share)


def look_words(theirs: Theirs, ours: Ours, _roster: Roster) -> Look:
    """For several words of a closed list in a cell: how many of them have a meaning there."""
    counts = items_of(theirs)
    hits, total = listed_in(ours, counts), sum(counts.values())
    if not total or theirs.numbers.null_count() == 0 or len(counts) > 4 * len(ours.choices):
        return Look(WORDS_FAIL, "no list of words", 0.0)
    share = hits / total
    return Look(max(WORDS_UNKNOWN, WORDS_ALONE * share**2), f"{hits} of {total} words in it mean one of ours", share)


def items_of(theirs: Theirs) -> dict[str, int]:
    """The words of cells that hold several, and how often each occurs [count]."""
    found: dict[str, int] = {}
    for cell, count in theirs.counts.items():
        for word in filter(None, map(str.strip, re.split(ITEMS_PART, cell))):
            found[word] = found.get(word, 0) + count
    return dict(sorted(found.items(), key=lambda item: (-item[1], item[0])))


def listed_in(ours: Ours, counts: dict[str, int]) -> int:
    """How many of a column's values have a meaning in a closed list [count]."""
    return sum(n for word, n in counts.items() if meaning(word, ours.name, ours.choices))


def look_clock(theirs: Theirs, _ours: Ours, _roster: Roster) -> Look:
    """For a local time of day."""
    hits = sum(n for value, n in theirs.counts.items() if clock_of(value) is not None)
    share = hits / theirs.values.len()
    colon = any(":" in v or "m" in v.lower() for v in theirs.counts)
    return Look(
        weighed(share, CLOCKS_FIT if colon else 1.0, CLOCKS_FAIL), f"{theirs.part(hits)} are times of day", share
    )


def look_text(theirs: Theirs, ours: Ours, roster: Roster) -> Look:
    """For text: ids that a roster lists, an id of its own, prose, a telephone number."""
    listed = look_listed(theirs, ours, roster)
    if listed is not None:
        return listed
    if ours.is_key:
        return look_key(theirs)
    if ours.name in LISTED_FORMS:
        form, called = LISTED_FORMS[ours.name]
        share = float(theirs.values.str.contains(form).mean() or 0)  # type: ignore[arg-type]
        if share >= FITS:
            return Look(WORDS_ALONE, f"{theirs.part(share * theirs.values.len())} are {called}")
        if theirs.numbers.null_count() == 0:
            return Look(NUMBERED, "numbers", 0.0)
    if (theirs.times is not None and theirs.times.share >= FITS) or theirs.is_part_of_time:
        return Look(TIMES_AS_TEXT, "values are times")
    lengths = theirs.values.str.len_chars()
    mean, blanks = float(lengths.mean() or 0), float(theirs.values.str.count_matches(" ").mean() or 0)  # type: ignore[arg-type]
    if (ours.kind, ours.name) in TEXTS:
        is_prose = mean >= PROSE and blanks >= 2
        said = f"free text, {mean:.0f} characters on average"
        if theirs.numbers.null_count() == 0:
            return Look(NUMBERED, "numbers", 0.0)
        return Look(PROSE_FIT if is_prose else PROSE_FAIL if mean < 8 or blanks < 0.5 else 1.0, said)
    if ours.name == "phone":
        digits = theirs.values.str.count_matches(r"\d").is_between(7, 15).mean()
        return Look(6.0 if digits and float(digits) > 0.8 else 0.1, "telephone numbers")  # type: ignore[arg-type]
    ratio, said = 1.0, "text"
    if ours.is_personal and ours.name != "caller" and are_numbered(theirs.values):
        ratio, said = NUMBERED, "values with numbers, no names"
    elif ours.kind == "tickets" and ours.name == "caller" and theirs.are_telephones:
        ratio, said = PHONES_CALLER, "telephone numbers"
    elif ours.kind == "tickets" and ours.name == "caller" and len(theirs.counts) * FEW_CALLERS <= theirs.values.len():
        ratio, said = 0.2, f"{len(theirs.counts)} different values, few for those who call"
    elif mean > 2 * PROSE and blanks > 5 and ours.name not in LISTS:
        ratio, said = 0.15, "free text, long for this"
    elif ours.name.endswith("_id"):
        is_code = blanks < 0.3 and mean <= PROSE
        ratio, said = (1.5 if is_code else 0.5), ("short codes" if is_code else "names more than codes")
    elif theirs.numbers.null_count() == 0:
        ratio, said = 0.5, "numbers"
    return Look(ratio, said)


def look_listed(theirs: Theirs, ours: Ours, roster: Roster) -> Look | None:
    """For ids and places that a roster lists; None where the book knows none."""
    ids, is_named = roster.ids.get(ROSTERS.get(ours.name, ""), frozenset()), False
    if ours.kind == "tickets" and ours.name in ("site", "unit"):
        ids = frozenset(roster.places) | frozenset(folded(roster.ids.get(ours.name + "s", ())))
        known = {plain_word(v).replace(" ", "") for v in theirs.counts} & ids
        hits = sum(n for v, n in theirs.counts.items() if plain_word(v).replace(" ", "") in known)
    elif ours.name == "circuit":
        ids = roster.circuits
        hits = sum(n for v, n in theirs.counts.items() if v in ids)
    else:
        names = roster.names_of(ours.name)
        hits = sum(n for v, n in theirs.counts.items() if v in ids or plain_word(v).replace(" ", "") in names)
        is_named = 2 * sum(n for v, n in theirs.counts.items() if v in ids) < hits
    if not ids:
        return None
    share = hits / theirs.values.len()
    said = f"{theirs.part(hits)} are in the roster"
    if ours.is_key and share < FITS:
        return None  # a roster may name what is new
    if share < FITS and (other := of_another_roster(theirs, ours, roster)):
        return Look(ROSTER_OTHER, f"values are ids of {other} in the roster", share)
    free = ours.kind == "tickets" or ours.name == "circuit"  # as people say it: absence proves little
    fit = ROSTER_NAMED if is_named else ROSTER_FIT
    return Look(max(0.5 if free else ROSTER_FAIL, fit * min(1.0, share / FITS) ** 2), said, share)


def of_another_roster(theirs: Theirs, ours: Ours, roster: Roster) -> str | None:
    """The roster whose ids the values are, where it is not the one that a column of ours is about."""
    mine = {ROSTERS.get(ours.name), *({"sites", "units"} if ours.name in ("site", "unit") else ())}
    for name, ids in sorted(roster.ids.items()):
        hits = sum(n for value, n in theirs.counts.items() if value in ids)
        if name not in mine and hits >= FITS * theirs.values.len():
            return name
    return None


def look_key(theirs: Theirs) -> Look:
    """For the id of a kind: short, and hardly ever twice."""
    distinct = len(theirs.counts) / theirs.values.len()
    short = float(theirs.values.str.len_chars().mean() or 0) <= PROSE  # type: ignore[arg-type]
    ratio = UNIQUE_FIT if distinct >= FITS and short else UNIQUE_FAIL if distinct < 0.5 or not short else 1.0
    if theirs.times is not None:
        ratio *= 0.1
    if theirs.are_telephones:
        return Look(ratio * PHONES_KEY, "telephone numbers")
    if theirs.number_rows:
        return Look(ratio * ROW_NUMBERS, "they number the rows, and another file would number others so")
    if float(theirs.values.str.contains(MACHINE_ID).mean() or 0) >= FITS:  # type: ignore[arg-type]
        return Look(ratio * MACHINE_IDS, "ids that only a machine reads")
    if float(theirs.values.str.contains(CODE).mean() or 0) >= FITS:  # type: ignore[arg-type]
        ratio *= CODES
    return Look(ratio, f"{len(theirs.counts)} different values in {theirs.values.len()}")
