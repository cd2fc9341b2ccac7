"""Large delimited tables and JSON Lines read by polars, where that gives the very rows that the careful readers give.

Each reader first proves that its file holds nothing on which the two ways could differ; what does not pass is left to
`tables.py`. `tests/pipeline/sources/test_quick.py` holds both ways against each other.
"""

import io
import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import NamedTuple

import numpy as np
import polars as pl

LONG_LINE = 1 << 20  # bytes; a longer line may be too long a row, which the careful reader tells
HEAD_LINES = 1_000  # lines that tell the columns and types of JSON Lines; a later line that differs is noticed
IRREGULAR_AT_MOST = 0.2  # share of a table's lines; past it the careful reader alone costs no more
BLANKS = r"^[\s\x1c-\x1f]*$"  # what Python's `str.strip` takes away
STRETCH = 1 << 18  # bytes looked at in one go: what a core keeps at hand
QUOTE, COLON, BLANK, TAB, LINE_END = (
    b'": \t\n'  # within a line of JSON blanks and tabs alone are blank: RFC 8259 section 2
)
ReadOne = Callable[[Sequence[str], int], tuple[list[str], int]]
Table = tuple[pl.DataFrame, list[tuple[int, list[str]]]]


class Lines(Sequence[str]):
    """Lines as a reader of text meets them, with their ends."""

    def __init__(self, lines: pl.Series) -> None:
        self._lines = lines

    def __len__(self) -> int:
        return self._lines.len()

    def __getitem__(self, place: int) -> str:  # type: ignore[override]
        return f"{self._lines[place]}\n"


def lines_of(data: bytes) -> pl.Series:
    """The lines of a text that ends its lines with LF."""
    return pl.read_lines(io.BytesIO(data)).to_series()


def json_frame(data: bytes) -> pl.DataFrame | None:
    """Flat JSON objects, one a line, as columns of text; None where a line wants a closer look.

    All columns and their types are those of the first lines. That no later line holds more is proved by counting, while
    polars reads: in JSON `":` ends a key and nothing else, unless a string holds an escaped quote and a colon; then the
    counts differ.
    """
    if b"\x00" in data or b"\r" in data:
        return None
    head = b"".join(islice(io.BytesIO(data), HEAD_LINES))
    try:
        schema = pl.read_ndjson(io.BytesIO(head), infer_schema_length=None).schema
    except (pl.exceptions.PolarsError, ValueError):
        return None
    if not all(dtype in (pl.String, pl.Int64, pl.Float64) for dtype in schema.values()):
        return None
    with ThreadPoolExecutor(1) as beside:
        reading = beside.submit(pl.read_ndjson, io.BytesIO(data), schema=schema)
        found = counted(data)
        is_odd = found.longest > LONG_LINE or any_odd(data, schema, found.blanks > 0)
        try:
            frame = reading.result()
        except (pl.exceptions.PolarsError, ValueError):
            return None
    if is_odd or frame.height != found.lines or not holds_all(data, frame, found):
        return None
    written = frame.with_columns(pl.all().cast(pl.String))
    floats = [name for name, dtype in schema.items() if dtype == pl.Float64]
    return None if any(written[name].str.contains("e", literal=True).any() for name in floats) else written


class Counted(NamedTuple):
    """What flat JSON Lines hold: lines, bytes of the longest, ends of keys, keys with a text, blanks before a colon."""

    lines: int
    longest: int
    keys: int
    texts: int
    blanks: int


def counted(data: bytes) -> Counted:
    """Counts a stretch at a time; a text stands at once behind its key, or behind one blank."""
    lines = longest = keys = texts = blanks = 0
    begins = 0  # of the line that a stretch begins in
    for start in range(0, len(data), STRETCH):
        held = min(STRETCH, len(data) - start)
        piece = np.frombuffer(data[start : start + held + 3].ljust(held + 3), np.uint8)
        first, second, third = piece[:-3], piece[1:-2], piece[2:-1]
        ends = (first == QUOTE) & (second == COLON)
        is_text = (third == QUOTE) | (third == BLANK) & (piece[3:] == QUOTE)
        keys += int(np.count_nonzero(ends))
        texts += int(np.count_nonzero(ends & is_text))
        blanks += int(np.count_nonzero(((first == BLANK) | (first == TAB)) & (second == COLON)))
        breaks = np.flatnonzero(first == LINE_END) + start
        if breaks.size:
            longest = max(longest, int(breaks[0]) - begins, int(np.diff(breaks).max(initial=0)) - 1)
            begins = int(breaks[-1]) + 1
            lines += breaks.size
    return Counted(lines + (begins < len(data)), max(longest, len(data) - begins), keys, texts, blanks)


def holds_all(data: bytes, frame: pl.DataFrame, found: Counted) -> bool:
    """Whether every key in the text is a column of the frame, none stands twice in a line, and texts alone are texts.

    Polars refuses a text among numbers; a number among texts becomes a text, and is noticed here.
    """
    written, told = frame.height * frame.width, 0
    for name, dtype in frame.schema.items():
        nulls = frame[name].null_count()
        told += frame.height - nulls if dtype == pl.String else 0
        if nulls:
            key = f'"{name}":'.encode()
            written += data.count(key + b"null") + data.count(key + b" null") - nulls
    fits = found.keys == written and found.texts == told
    return fits and not any(set('"\\') & set(name) for name in frame.columns)


def any_odd(data: bytes, schema: Mapping[str, pl.DataType], has_blanks: bool) -> bool:
    """Whether any line holds a value that polars would write otherwise: 1 or 1e3 for 1.0.

    A blank before a colon is odd too where a key ends there, as keys are counted without it, and so are escapes of
    surrogates: one alone is legal in JSON, and is no character. Each is looked for by itself: together they begin with
    nothing rare.
    """
    forms = [r"\\u[dD][89a-fA-F]"] if b"\\" in data else []
    names = [re.escape(name) for name, dtype in schema.items() if dtype == pl.Float64]
    if names:
        forms.append(rf'"(?:{"|".join(names)})": *(?:-?\d+ *[,}}]|[^,}}]*[eE])')
    if has_blanks:
        forms.append(r'"\s+:')
    lines = lines_of(data) if forms else pl.Series(dtype=pl.String)
    return any(lines.str.contains(form).any() for form in forms)


def table_frame(data: bytes, delimiter: str, width: int, start: int, header: int, read_one: ReadOne) -> Table | None:
    """The records of a table below its header: those that are one well-formed line by polars, the others one by one.

    Parameters
    ----------
    data : the table in UTF-8, its lines ended with LF
    width : fields of the header
    start : the first line below the header, counted from 0
    header : the header's own number as a record
    read_one : reads the record that begins on a line: its fields, and the lines that it takes

    Returns
    -------
    frame of `row` (the record's number) and text columns by place, and the other records with their
    numbers; None where the careful reader is wanted for all of it
    """
    if width < 2 or b"\r" in data or len(delimiter) != 1 or not delimiter.isascii():
        return None
    with ThreadPoolExecutor(1) as beside:  # most tables have no other lines
        whole = beside.submit(regular_frame, data, delimiter, width, start)
        lines = lines_of(data).slice(start)
        is_one = regular(lines, delimiter, width)
    places = (~is_one).arg_true().to_list()
    if len(places) > IRREGULAR_AT_MOST * lines.len():
        return None
    found: list[tuple[int, list[str]]] = []
    inside: list[int] = []  # lines that carry a record on
    free = 0
    for place in places:
        if place >= free:
            record, spanned = read_one(Lines(lines), place)
            found.append((place, record))
            inside += range(place + 1, place + spanned)
            free = place + spanned
    begins = pl.select(pl.repeat(True, lines.len())).to_series().scatter(inside, False)
    numbers = begins.cast(pl.Int64).cum_sum() + header
    kept = is_one & begins
    if kept.all():
        frame = whole.result()
    else:
        del whole
        frame = regular_frame("\n".join(lines.filter(kept)).encode(), delimiter, width, 0)
    if frame is None or frame.height != kept.sum():
        return None
    return frame.insert_column(0, numbers.filter(kept).alias("row")), [(numbers[place], r) for place, r in found]


def regular(lines: pl.Series, delimiter: str, width: int) -> pl.Series:
    """Whether a line is a record by itself: so many fields, each quoted whole or not at all, nothing odd in it."""
    mark = rf"\x{ord(delimiter):02x}"
    field = rf'(?:[^"\x00{mark}]*|"(?:[^"\x00]|"")*")'
    return lines.str.contains(rf"^{field}(?:{mark}{field}){{{width - 1}}}$") & (lines.str.len_bytes() <= LONG_LINE)


def regular_frame(data: bytes, delimiter: str, width: int, skipped: int) -> pl.DataFrame | None:
    """Well-formed lines, all but the first few, as columns of text that are named by their place."""
    names = [str(place) for place in range(width)]
    if not data:
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    try:
        return pl.read_csv(
            data,
            has_header=False,
            separator=delimiter,
            infer_schema=False,
            new_columns=names,
            skip_lines=skipped,
            empty_string_is_null=False,
        )
    except pl.exceptions.PolarsError:
        return None


def without_blank(frame: pl.DataFrame) -> pl.DataFrame:
    """The rows that hold something besides blanks."""
    names = frame.columns[1:]
    doubtful = frame[names[0]].str.contains(BLANKS)
    if not doubtful.any():
        return frame
    blank = doubtful & frame.select(pl.all_horizontal(pl.col(names).str.contains(BLANKS))).to_series()
    return frame.filter(~blank)
