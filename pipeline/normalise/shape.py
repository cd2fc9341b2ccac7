"""Rows of text → rows of a kind: columns by their names, values by their types, faults with reasons; pure."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime

import pandera.polars as pa
import polars as pl
from pandera.errors import SchemaErrors

from pipeline.contracts.feeds import closed_list, schema_of
from pipeline.errors import SourceError
from pipeline.normalise.cells import FORMS, words_text
from pipeline.normalise.times import TOO_LATE, UTC_US, read_times
from pipeline.normalise.totals import totals_faults
from pipeline.sources.meanings import is_clear, meaning
from pipeline.sources.numbers import read_numbers
from pipeline.sources.profile import BY_SENSE, Profile, joined, plain
from pipeline.sources.scales import as_written
from pipeline.sources.tables import Fault, RawTable, short

TIMES_PROMISED = {"estimated_restoration_at"}  # may lie far ahead
SIDE_BY_SIDE = 2  # columns worked on at a time: polars leaves Python's lock to the other; our choice
CODE_BAD, CODE_NO_ZONE = "bad", "no-zone"
MOST_WORDS = 200  # different words of one column that are read by sense; more are no list of words [count]
SCALED_PLACES = 6  # of a number brought into our unit: a thirty-sixth of a second in hours stays apart
EXACT = 2**53  # below it every reader of JSON keeps a whole number exact: RFC 8259 section 6


@dataclass(frozen=True)
class Piece:
    """One file of a kind, read: its rows of text, when it was received, and how it is written."""

    raw: RawTable
    received_at: datetime
    profile: Profile | None = None


@dataclass(frozen=True)
class Shaped:
    """The rows of several files of one kind.

    `good` has `file` (place in the list of pieces), `row`, the kind's columns with their types, and the columns in
    `extra` that nobody mapped; `texts` the same rows and the bad ones as they came; `faults` tells why, file by file.
    """

    good: pl.DataFrame
    texts: pl.DataFrame
    extra: tuple[str, ...]
    faults: list[list[Fault]]


def shape(pieces: list[Piece], kind: str, zone: str | None) -> Shaped:
    """The rows of files of one kind in the shape of that kind.

    Parameters
    ----------
    pieces : the files, in order of receipt
    kind : a kind of feed
    zone : IANA zone of the county, None while unknown

    Returns
    -------
    the good rows, and a fault for every column of every other row
    """
    columns = schema_of(kind).columns
    faults: list[list[Fault]] = []
    totals: list[dict[int, Fault]] = []
    frames = []
    for place, piece in enumerate(pieces):
        frame = rename(piece.raw.frame(), kind, piece.profile)
        totals.append({fault.row: fault for fault in totals_faults(frame, kind)})
        faults.append([*missing_columns(frame, kind), *piece.raw.faults])
        frames.append(frame.insert_column(0, pl.lit(place, dtype=pl.Int32).alias("file")))
    texts = pl.concat(frames, how="diagonal").with_row_index("index")
    timed = [name for name, c in columns.items() if isinstance(c.dtype.type, pl.Datetime) and name in texts.columns]
    with ThreadPoolExecutor(SIDE_BY_SIDE) as side:
        found = side.map(lambda name: placed_times(texts, name, pieces, zone), timed)
        placed = dict(zip(timed, found, strict=True))
    texts = mark_ambiguous(texts, placed)
    extra = tuple(c for c in texts.columns if c not in columns and c not in ("index", "file", "row"))
    texts = texts.with_columns([pl.lit(None, dtype=pl.String).alias(c) for c in columns if c not in texts.columns])
    absent = [{fault.column for fault in of_file} for of_file in faults]
    typed, wrong = cast(texts, kind, placed, zone)
    wrong += failures(typed, texts, kind)
    files, rows = texts["file"], texts["row"]
    for fault in wrong:
        file, row = files[fault.row], rows[fault.row]
        if fault.column not in absent[file]:
            faults[file].append(replace(fault, row=row))
    faults = [
        [*(f for f in of_file if f.row not in ends), *ends.values()]
        for of_file, ends in zip(faults, totals, strict=True)
    ]
    good = typed.select("file", "row", *columns, *extra)
    bad = [(file, fault.row) for file, of_file in enumerate(faults) for fault in of_file]
    if bad:
        keys = pl.DataFrame(bad, schema={"file": pl.Int32, "row": pl.Int64}, orient="row").unique()
        good = good.join(keys, on=["file", "row"], how="anti", maintain_order="left")
    return Shaped(good, texts.drop("index"), extra, faults)


def rename(frame: pl.DataFrame, kind: str, profile: Profile | None) -> pl.DataFrame:
    """Their column names → ours: by the profile, else by name whatever the case, blanks or hyphens."""
    ours = schema_of(kind).columns
    if profile:
        optional = {o for o, column in ours.items() if column.nullable and isinstance(column.dtype.type, pl.Datetime)}
        whole = {name for o in optional for name in profile.columns.get(o, ())}
        frame = joined(frame, [name for many in profile.columns.values() for name in many], whole)
    found = {plain(name): name for name in reversed(frame.columns) if name != "row"}
    wanted: dict[str, str] = {}
    for column in ours:
        theirs = (*(profile.columns.get(column, ()) if profile else ()), column)
        hit = next((found[plain(name)] for name in theirs if plain(name) in found), None)
        if hit is not None and hit not in wanted:
            wanted[hit] = column
    # A column of theirs that is called like one of ours, but mapped elsewhere, keeps its words under another name.
    names = {
        name: wanted.get(name, f"their_{name}" if name in ours else name) for name in frame.columns if name != "row"
    }
    with ThreadPoolExecutor(SIDE_BY_SIDE) as side:
        texts = list(side.map(lambda theirs: trimmed(frame[theirs]).alias(names[theirs]), names))
    renamed = frame.select("row").hstack(texts)
    if profile:
        renamed = translate(renamed, profile)
    return renamed


def trimmed(text: pl.Series) -> pl.Series:
    """Text without blanks around it, null where nothing is left."""
    return same_or(text, text.str.strip_chars().replace("", None))


def same_or(text: pl.Series, made: pl.Series) -> pl.Series:
    """What was made of a text; the text itself where both are alike, so that a large file is held once."""
    return text if made.equals(text) else made


def translate(frame: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """Their words → ours, and the columns that are always the same."""
    columns = schema_of(profile.kind).columns
    for column, mark in profile.lists.items():
        if column in frame.columns:
            parts = pl.col(column).str.split(mark).list.eval(pl.element().str.strip_chars())
            frame = frame.with_columns(parts.list.join(";").alias(column))
    for column, times in profile.scale.items():
        if column in frame.columns:
            texts = frame[column]
            numbers = as_written(texts, column) if isinstance(times, str) else read_numbers(texts) * times
            written = numbers.round(SCALED_PLACES).cast(pl.String)
            frame = frame.with_columns(pl.coalesce(written, pl.col(column)).alias(column))
    for column, words in profile.values.items():
        if column in frame.columns and is_list(columns[column]):
            each = pl.element().replace_strict(words, default=pl.element(), return_dtype=pl.String)
            parted = words_text(frame[column]).str.split(";").list.eval(each)
            frame = frame.with_columns(parted.list.unique(maintain_order=True).list.join(";").alias(column))
        elif column in frame.columns:
            folded = pl.col(column).str.to_lowercase().replace_strict(words, default=None, return_dtype=pl.String)
            frame = frame.with_columns(pl.coalesce(folded, pl.col(column)).alias(column))
    if profile.unlisted == BY_SENSE:
        frame = by_sense(frame, profile)
    for column, value in profile.constants.items():
        constant = pl.lit(value, dtype=pl.String)
        frame = frame.with_columns(
            (pl.coalesce(column, constant) if column in frame.columns else constant).alias(column)
        )
    return frame


def by_sense(frame: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """Words of a closed list that the profile does not list, read by their sense where that is clear.

    What stood in such a row is kept with it as `their_` and the column's name.
    """
    for name, column in schema_of(profile.kind).columns.items():
        if name not in frame.columns or (column.metadata or {}).get("form") != "word":
            continue
        choices = closed_list(column)
        said = frame[name]
        odd = said.filter(~said.str.to_lowercase().is_in(choices)).drop_nulls().unique().to_list()
        if len(odd) > MOST_WORDS:
            continue  # no list of words, and looking each up would take long
        found = {word: match.ours for word in odd if (match := meaning(word, name, choices)) and is_clear(match)}
        if found:
            is_read = said.is_in(list(found))
            frame = frame.with_columns(
                pl.when(is_read).then(said.replace(found)).otherwise(pl.col(name)).alias(name),
                pl.when(is_read).then(pl.col(name)).alias(f"their_{name}"),
            )
    return frame


def is_list(column: pa.Column) -> bool:
    """Whether a cell of a column holds several words of a closed list."""
    return (column.metadata or {}).get("form") == "words"


def missing_columns(texts: pl.DataFrame, kind: str) -> list[Fault]:
    """A fault for every row where a required column is not in the file at all."""
    needed = [n for n, c in schema_of(kind).columns.items() if not c.nullable and n not in texts.columns]
    found = ", ".join(c for c in texts.columns if c != "row")
    return [
        Fault(row, column, None, f"this file has no column {column!r}; found: {found}. Map it in a profile")
        for column in needed
        for row in texts["row"]
    ]


def cast(
    texts: pl.DataFrame, kind: str, placed: dict[str, pl.DataFrame], zone: str | None
) -> tuple[pl.DataFrame, list[Fault]]:
    """Text → the kind's types; a value that cannot be read is null and a fault (its `row` is the index)."""
    columns = schema_of(kind).columns
    with ThreadPoolExecutor(SIDE_BY_SIDE) as side:
        found = list(side.map(lambda name: cast_column(texts[name], columns[name], placed.get(name), zone), columns))
    typed = {name: values for name, (values, _) in zip(columns, found, strict=True)}
    return texts.with_columns(**typed), [fault for _, faults in found for fault in faults]


def cast_column(
    text: pl.Series, column: pa.Column, read: pl.DataFrame | None, zone: str | None
) -> tuple[pl.Series, list[Fault]]:
    """One column of text → its type, and the faults of values that cannot be read.

    Parameters
    ----------
    read : its times as `placed_times` gives them; None for other columns, and where the files have no such column
    """
    dtype, form = column.dtype.type, (column.metadata or {}).get("form")
    if isinstance(dtype, pl.Datetime):
        return (text.cast(UTC_US), []) if read is None else cast_time(text.name, read, zone)
    if dtype == pl.String:
        return (same_or(text, FORMS[form](text)) if form in FORMS else text), []
    typed = cast_number(text, dtype)
    lost = (typed.is_null() & text.is_not_null()).arg_true()
    reason = f"not a number; expected {column.description}"
    return typed, [Fault(index, text.name, short(text[index]), reason) for index in lost.to_list()]


def mark_ambiguous(texts: pl.DataFrame, placed: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Adds `ambiguous_times`, the columns whose local time falls in the hour that occurs twice, where there are any."""
    marks = [
        pl.when(read["is_ambiguous"]).then(pl.lit(name)) for name, read in placed.items() if read["is_ambiguous"].any()
    ]
    if not marks:
        return texts
    return texts.with_columns(ambiguous_times=pl.concat_str(marks, separator=" ", ignore_nulls=True).replace("", None))


def cast_number(text: pl.Series, dtype: pl.DataType) -> pl.Series:
    """Numbers as people write them; a whole number may carry `.0`, anything else keeps no fraction."""
    if dtype == pl.Int64:
        plain = text.cast(pl.Int64, strict=False)
        if plain.null_count() == text.null_count() and plain.is_between(-EXACT, EXACT, "none").all():
            return plain
    value = read_numbers(text)
    if dtype == pl.Float64:
        return value
    whole = value.set((value != value.round()) | (value.abs() >= EXACT), None)
    return whole.cast(dtype, strict=False)


def cast_time(name: str, read: pl.DataFrame, zone: str | None) -> tuple[pl.Series, list[Fault]]:
    """One column of times, with the faults of those unread, unplaced or too far ahead of their receipt."""
    odd = read.filter(pl.col("value").is_not_null() & (pl.col("time").is_null() | (pl.col("time") > pl.col("limit"))))
    faults = [
        Fault(index, name, short(value), *time_reason(moment, needs_zone, zone, limit))
        for index, value, moment, needs_zone, limit in odd.select(
            "index", "value", "time", "needs_zone", "limit"
        ).iter_rows()
        if moment is None or name not in TIMES_PROMISED
    ]
    return read["time"].cast(UTC_US).alias(name), faults


def placed_times(texts: pl.DataFrame, name: str, pieces: list[Piece], zone: str | None) -> pl.DataFrame:
    """One column of times, each file in its own way: `index`, `value`, `time`, `limit` and how it was placed."""
    limits = pl.DataFrame(
        {"file": range(len(pieces)), "limit": [piece.received_at + TOO_LATE for piece in pieces]},
        schema={"file": pl.Int32, "limit": UTC_US},
    )
    ways: dict[tuple[tuple[str, ...], str | None], list[int]] = {}
    for file, piece in enumerate(pieces):
        patterns = piece.profile.times.get(name, ()) if piece.profile else ()
        own_zone = (piece.profile.zone if piece.profile else None) or zone
        ways.setdefault((patterns, own_zone), []).append(file)
    cells = texts.select("index", "file", value=name).with_columns(limit=limits["limit"].gather(texts["file"]))
    if len(ways) == 1:
        return cells.with_columns(*read_times(cells["value"], *next(iter(ways))).get_columns())
    return pl.concat(
        part.with_columns(*read_times(part["value"], patterns, own_zone).get_columns())
        for (patterns, own_zone), files in ways.items()
        for part in [cells.filter(pl.col("file").is_in(files))]
    ).sort("index")


def time_reason(moment: datetime | None, needs_zone: bool, zone: str | None, limit: datetime) -> tuple[str, str]:
    """Why a time is refused, and the code of that reason."""
    if needs_zone:
        return "a local time, and the county's zone is not known yet; take county.toml", CODE_NO_ZONE
    if moment is None:
        return f"not a time{' in ' + zone if zone else ''}; expected like 2026-11-03T09:30:00-06:00", CODE_BAD
    received_at = limit - TOO_LATE
    return f"more than 12 hours after its receipt at {received_at:%Y-%m-%d %H:%M} UTC; check the clock", CODE_BAD


def failures(typed: pl.DataFrame, texts: pl.DataFrame, kind: str) -> list[Fault]:
    """What the kind's contract says of the values that could be read (a fault's `row` is the index)."""
    schema = schema_of(kind)
    try:
        schema.validate(typed.select(list(schema.columns)), lazy=True)
    except SchemaErrors as error:
        cases = error.failure_cases
    else:
        return []
    order = list(schema.columns)
    failed = set(cases.select("index", "column").iter_rows())
    faults = []
    for index, name in sorted(failed, key=lambda f: (f[0] or 0, order.index(f[1]) if f[1] in order else -1)):
        if index is None:
            raise SourceError(f"{kind}: the frame does not fit its contract: {cases['check'].to_list()}")
        value = texts[name][index]
        if value is None:
            faults.append(Fault(index, name, None, "required, and empty"))
        elif typed[name][index] is not None:  # else it could not be read, and has its fault already
            faults.append(Fault(index, name, short(value), f"expected {schema.columns[name].description}"))
    return faults
