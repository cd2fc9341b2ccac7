"""A file of somebody else's making → a source profile proposed for it, with a reason and a probability for each line.

The names of the columns give the odds that one of theirs is one of ours, what the values look like multiplies them,
and each of ours is given to at most one of theirs so that the whole is likeliest. docs/PROFILES.md tells the method.
"""

import json
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from pipeline.contracts.feeds import FEEDS
from pipeline.errors import SourceError, UnknownKind, UsageError
from pipeline.sources import ENDINGS, source_of
from pipeline.sources.assigning import READS_ENOUGH, asked, assigned, odds_of
from pipeline.sources.likeness import name_likeness, tokens
from pipeline.sources.looks import Look, Ours, Theirs, look, our_columns
from pipeline.sources.profile import JOINED, Profile, joined
from pipeline.sources.reading import decode, read_table
from pipeline.sources.roster import Roster
from pipeline.sources.tables import SAMPLE, RawTable, find_delimiter, physical_lines
from pipeline.sources.time_forms import DayOrder, day_order, is_date, is_time_of_day
from pipeline.sources.translation import Translation, by_progress, translation

WITHOUT = ("county", "power-notes", "entries")  # kinds that no profile is needed for
LOOKED_AT = 5000  # rows whose values are looked at; words and times are looked at in all of them [count]
MOST_PAIRS = 24  # columns of dates with columns of times of day that are looked at together [count]
OTHER_MARKS = "^~\x1f"  # delimiters tried where the usual ones find one column only


@dataclass(frozen=True)
class Placed:
    """One line of `[columns]`: ours, theirs, how sure [0 to 1] and why; with how its values are translated."""

    ours: Ours
    theirs: Theirs
    sure: float
    why: str
    translation: Translation
    look: Look


@dataclass
class Proposal:
    """A profile proposed for a file; `cells` are its columns with dates and times of day joined.

    `asked` are lines for a person to decide; `notes` are about the file, `missing` about ours, `spare` about theirs.
    """

    kind: str
    file: str
    raw: RawTable
    cells: Mapping[str, Sequence[str | None] | pl.Series]
    form: str
    delimiter: str | None
    encoding: str | None
    days: DayOrder
    roster: Roster
    files: list[str] = field(default_factory=list)
    others: str = ""
    placed: list[Placed] = field(default_factory=list)
    asked: list[Placed] = field(default_factory=list)
    missing: list[tuple[Ours, str]] = field(default_factory=list)
    unused: list[Ours] = field(default_factory=list)
    spare: list[tuple[Theirs, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def propose(
    data: bytes, name: str, kind: str, roster: Roster | None = None, more: Sequence[tuple[bytes, str]] = ()
) -> Proposal:
    """The profile that fits a file best.

    Parameters
    ----------
    data : the file, byte for byte
    name : its name
    more : further files of the same export, with their names: each may hold words that the first has not
    kind : what its rows are, one of the kinds of feed that come as a table
    roster : what a book knows of ids and places; without it names and forms alone decide

    Raises
    ------
    UnknownKind : if there is no such kind.
    UsageError : if files of that kind need no profile.
    SourceError : if the file holds no rows.
    """
    if kind not in FEEDS:
        raise UnknownKind(
            f"--kind {kind}: no kind of feed. Use one of {', '.join(k for k in FEEDS if k not in WITHOUT)}."
        )
    if kind in WITHOUT:
        raise UsageError(f"--kind {kind}: read as it is, no profile is needed. Take the file in.")
    roster = roster or Roster()
    form = form_of_content(data, name)
    encoding = None if form == "xlsx" else encoding_of(data)
    delimiter = delimiter_of(decode(data, encoding)) if form == "csv" and data.strip() else None
    profile = Profile(kind, form, delimiter, encoding)
    raw = together([read_table(each, named, form, profile) for each, named in ((data, name), *more)])
    if not raw.rows:
        raise SourceError(f"{name}: no rows to look at{told_fault(raw)}. Export it again with its rows.")
    cells = with_dates(raw)
    theirs, days = their_columns(cells, raw, roster)
    proposal = Proposal(kind, name, raw, cells, form, delimiter, encoding, days, roster)
    proposal.files = files_like([name, *(named for _, named in more)])
    proposal.others = f" and {len(more)} more" if more else ""
    place(proposal, theirs)
    proposal.notes = notes_on(proposal)
    return proposal


def together(raws: list[RawTable]) -> RawTable:
    """The rows of several files of one export as one table."""
    if len(raws) == 1:
        return raws[0]
    frame = pl.concat([raw.frame() for raw in raws], how="diagonal")
    columns = {name: frame[name] for name in frame.columns if name != "row"}
    return RawTable(columns, frame["row"].to_list(), [fault for raw in raws for fault in raw.faults])


def files_like(names: list[str]) -> list[str]:
    """Patterns of the names of files like these: other numbers where they have some."""
    return sorted({re.sub(r"\d+(?:[-_.: ]*\d+)*", "*", re.sub(r"[\[\]?*]", "?", name)) for name in names})


def told_fault(raw: RawTable) -> str:
    """The first fault of a file without rows, for a message."""
    return f" (row {raw.faults[0].row}: {raw.faults[0].reason})" if raw.faults else ""


def form_of_content(data: bytes, name: str) -> str:
    """How a file is read, by what is in it; its ending decides only where that does not.

    Raises
    ------
    SourceError : if it is in a form that cannot be read row by row.
    """
    start = data.lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n")[:1]
    ending = ENDINGS.get("." + name.rsplit(".", 1)[-1].lower(), "csv")
    if data.startswith(b"PK\x03\x04"):
        return "xlsx"
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise SourceError(f"{name}: a workbook of the old form. Save it as .xlsx or export CSV.")
    if start == b"[":
        raise SourceError(f"{name}: one JSON list, not JSON Lines. Export one object a line.")
    if start == b"{":
        return "jsonl"
    return ending if ending in ("csv", "xlsx") else "csv"


def encoding_of(data: bytes) -> str | None:
    """The encoding to name in the profile, None for UTF-8 and for files that mix encodings line by line."""
    if data.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return "utf-16"
    if data.startswith(BOM_UTF8):
        return None
    half = len(data) // 2
    if half and data[1::2].count(0) > 0.7 * half:
        return "utf-16-le"
    if half and data[0::2].count(0) > 0.7 * half:
        return "utf-16-be"
    is_high = [line for line in data.splitlines() if not line.isascii()]
    return "cp1252" if is_high and not any(map(is_utf8, is_high)) else None


def is_utf8(line: bytes) -> bool:
    """Whether a line is UTF-8."""
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def delimiter_of(text: str) -> str:
    """The mark between columns."""
    lines = [line for line in list(physical_lines(text))[: 5 * SAMPLE] if line.strip()][:SAMPLE]
    if not lines:
        return ","
    found = find_delimiter(lines)
    if found in lines[0]:
        return found
    return max(OTHER_MARKS, key=lines[0].count) if any(m in lines[0] for m in OTHER_MARKS) else found


def with_dates(raw: RawTable) -> Mapping[str, Sequence[str | None] | pl.Series]:
    """Their columns, and each column of dates joined with each of times of day, as one column of times may be both."""
    texts = raw.frame().drop("row")
    filled = {name: texts[name].str.strip_chars().replace("", None).drop_nulls() for name in texts.columns}
    seen = {name: values.unique().sort().head(LOOKED_AT).to_list() for name, values in filled.items()}
    dates = [name for name, values in seen.items() if is_date(values)]
    clocks = [name for name, values in seen.items() if is_time_of_day(values)]
    pairs = [date + JOINED + clock for date in dates for clock in clocks][:MOST_PAIRS]
    both = {name: joined(texts, [name], pairs)[name].to_list() for name in pairs}
    return {**raw.columns, **both}


def their_columns(
    columns: Mapping[str, Sequence[str | None] | pl.Series], raw: RawTable, roster: Roster
) -> tuple[list[Theirs], DayOrder]:
    """Their columns with their values, and the order of day and month in the file as a whole."""
    rows = {n: pl.Series(n, cells, dtype=pl.String).str.strip_chars().replace("", None) for n, cells in columns.items()}
    values = {name: cells.drop_nulls() for name, cells in rows.items()}
    short = [v.unique().to_list() for v in values.values() if (v.str.len_chars().mean() or 99) < 45]  # type: ignore[operator]
    days = day_order(short, roster.election_day)
    theirs = [Theirs(n, text, len(raw.rows), days, n not in raw.columns, rows[n]) for n, text in values.items()]
    return theirs, days


def sampled(column: Theirs) -> Theirs:
    """A column of at most `LOOKED_AT` values, evenly drawn, in which a share is as telling as in all."""
    step = max(1, -(-column.values.len() // LOOKED_AT))
    if step == 1:
        return column
    values, cells = column.values.gather_every(step), column.cells.gather_every(step)
    return Theirs(column.name, values, -(-column.rows // step), column.days, column.is_joined, cells)


def place(proposal: Proposal, theirs: list[Theirs]) -> None:
    """Fills in which of theirs is which of ours, what is missing and what is left over."""
    ours = our_columns(proposal.kind)
    few = [sampled(column) for column in theirs]
    alike = np.array([[name_likeness(t.name, proposal.kind, o.name) for t in theirs] for o in ours])
    looks = [[look(t, o, proposal.roster) for t in few] for o in ours]
    odds = odds_of(ours, few, alike, looks)
    chosen = assigned(odds, ours, looks)
    for row, column in chosen.items():
        given = odds.beside(row, {r: c for r, c in chosen.items() if r != row})
        rivals = [c for c in range(len(theirs)) if c == column or c not in chosen.values()]
        sure = given[column] / (1 + given[rivals].sum())
        rival = max((c for c in rivals if c != column and given[c] >= 1), key=lambda c: given[c], default=None)
        why = reason(alike[row, column], looks[row][column])
        if rival is not None:
            why += f"; or {json.dumps(theirs[rival].name, ensure_ascii=False)}?"
        if given[column] < 1:
            why = "the only column left whose values fit; " + why
        words = translation(theirs[column], ours[row], proposal.roster)
        proposal.placed.append(Placed(ours[row], theirs[column], float(sure), why, words, looks[row][column]))
    read_progress(proposal)
    proposal.placed.sort(key=lambda p: ours.index(p.ours))
    for row, mine in enumerate(ours):
        if row not in chosen and mine.is_required:
            proposal.missing.append((mine, advice(mine, few)))
        elif row not in chosen:
            proposal.unused.append(mine)
    used = {part for p in proposal.placed for part in p.theirs.name.split(JOINED)}
    left = [
        c
        for c, column in enumerate(theirs)
        if c not in chosen.values() and column.name in proposal.raw.columns and column.name not in used
    ]
    taken = {part for name in used for part in (name, *name.split(JOINED))}
    for row, column, sure in asked(odds, chosen, lambda c: not taken & {theirs[c].name, *theirs[c].name.split(JOINED)}):
        words = translation(theirs[column], ours[row], proposal.roster)
        why = reason(alike[row, column], looks[row][column])
        proposal.asked.append(Placed(ours[row], theirs[column], sure, why, words, looks[row][column]))
    proposal.spare = [(theirs[c], why_spare(c, ours, alike, looks, chosen)) for c in left]


def read_progress(proposal: Proposal) -> None:
    """Lets the times of a ticket's row say what an unknown word of its status means."""
    at = {p.ours.name: i for i, p in enumerate(proposal.placed)}
    if proposal.kind != "tickets" or "status" not in at:
        return
    cells = proposal.cells
    times: dict[str, Sequence[str | None]] = {
        n: list(cells[proposal.placed[at[n]].theirs.name]) for n in ("assigned_at", "resolved_at") if n in at
    }
    status = proposal.placed[at["status"]]
    told = by_progress(status.translation, list(cells[status.theirs.name]), times)
    proposal.placed[at["status"]] = replace(status, translation=told)


def reason(alike: float, seen: Look) -> str:
    """Why a column was placed, in words."""
    named = "a name it goes by" if alike == 1 else f"named alike ({alike:.2f})" if alike >= 0.6 else "named otherwise"
    return f"{named}; {seen.said}"


def why_spare(place_: int, ours: list[Ours], alike: np.ndarray, looks: list[list[Look]], chosen: dict[int, int]) -> str:
    """Why a column of theirs was not placed: what its name is like, and what spoke against it."""
    best = int(np.argmax(alike[:, place_]))
    if alike[best, place_] < 0.7:
        return ""
    found = looks[best][place_]
    against = "another fits better" if best in chosen else "not alike enough"
    if found.share < READS_ENOUGH:
        against = found.said
    if ours[best].is_personal:
        against += "; if it names people, leave it out of the export"
    return f"named like {ours[best].name}; {against}"


def advice(ours: Ours, theirs: list[Theirs]) -> str:
    """What to do about a required column that nothing fits."""
    if ours.form == "time":
        dates = [t.name for t in theirs if is_date(list(t.counts))]
        clocks = [t.name for t in theirs if is_time_of_day(list(t.counts))]
        if dates and clocks:
            both = json.dumps(dates[0] + JOINED + clocks[0], ensure_ascii=False)
            return f"write {ours.name} = {both} if these are its date and its time of day"
        if clocks:
            return f"{clocks[0]!r} has times of day without a date; export the date with them"
        if dates:
            return f"{dates[0]!r} has dates without a time of day; export the time with them"
        return "no column holds times that can be read; export it"
    if ours.form == "word":
        return f"export it, or set it for all rows under [constants]: {' or '.join(ours.choices[:6])}"
    if ours.name == "sequence":
        return 'export it, or write sequence = "0" under [constants] where no unit reports twice at one time'
    return f"name their column for it here ({ours.description}), or export it"


def is_named_like(name: str, kind: str) -> bool:
    """Whether a file would be taken as one of its kind by its name alone."""
    try:
        return source_of(name).kind == kind
    except UnknownKind:
        return False


def notes_on(proposal: Proposal) -> list[str]:
    """What a reader should know of the file as a whole."""
    notes = []
    if proposal.raw.header > 1:
        notes.append(
            f"The header is row {proposal.raw.header}; what stands above it is taken for a title and left out."
        )
    if proposal.raw.faults:
        first = proposal.raw.faults[0]
        notes.append(
            f"{len(proposal.raw.faults)} rows cannot be told apart, the first is row {first.row}: {first.reason}."
        )
    if proposal.form == "csv" and len(proposal.raw.columns) == 1:
        notes.append("Only one column was found. The header must be the first line, with a mark between the columns.")
    elif not any(tokens(name) for name in proposal.raw.columns):
        notes.append("The first row names no columns. The header must be the first line.")
    return notes
