"""A file's text → rows of text with their row numbers; nothing is interpreted, and no row is lost on the way.

Row numbers are what a person sees: the line of a text or JSON Lines file, and in a table the record's number, where
the first is the header or a title above it.
"""

import csv
import io
import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import count, islice, pairwise

import polars as pl

from pipeline.errors import SourceError
from pipeline.sources.headers import header_place
from pipeline.sources.quick import json_frame, table_frame, without_blank

QUICK_FROM = 20_000  # bytes; below this a second way of reading saves nothing
LONGEST_ROW = 1 << 20  # characters; a longer row is a fault of the export, not a report: our choice
DELIMITERS = ",;\t|"
SAMPLE = 20  # lines looked at to find the delimiter
PATTERN = re.compile(r"\*|\^.*\$", re.S)  # a name that polars takes for several
HEADER_WITHIN = 100  # lines in which a large table's header is looked for; else it is read with care


@dataclass(frozen=True)
class Fault:
    """Why a row is in quarantine: its number, the column (or None), the value as it came and a reason in words."""

    row: int
    column: str | None
    value: str | None
    reason: str
    code: str = "bad"


@dataclass
class RawTable:
    """The rows of one file: `frame` of text columns with `row`, and the rows that could not be told apart.

    `header` is the row that names the columns. A column whose name polars would take for a pattern of
    names (`*`, `^…$`) is called `their_` and that.
    """

    columns: Mapping[str, Sequence[str | None] | pl.Series] = field(default_factory=dict)
    rows: Sequence[int] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    header: int = 1

    def __post_init__(self) -> None:
        self.columns = {f"their_{n}" if PATTERN.fullmatch(n) else n: values for n, values in self.columns.items()}

    def frame(self) -> pl.DataFrame:
        """The rows as a frame: `row` [count] and one text column per header."""
        row = pl.Series("row", self.rows, dtype=pl.Int64)
        texts = {name: pl.Series(name, values, dtype=pl.String) for name, values in self.columns.items()}
        if "row" in texts:  # their own column of that name
            name = next(name for n in count() if (name := "their_row" + "_" * n) not in texts)
            texts[name] = texts.pop("row").alias(name)
        return pl.DataFrame([row, *texts.values()])


def physical_lines(text: str) -> Iterator[str]:
    """Lines as an editor counts them, ends kept; only CR, LF and CRLF end a line."""
    return iter(io.StringIO(text, newline=None))


def read_lines(text: str) -> RawTable:
    """Each line that is not blank, as the column `text`."""
    texts: list[str | None] = []
    rows: list[int] = []
    table = RawTable(columns={"text": texts}, rows=rows)
    for number, line in enumerate(physical_lines(text), start=1):
        if "\x00" in line:
            table.faults.append(Fault(number, None, line, "the line holds a NUL byte; type it again"))
        elif len(line) > LONGEST_ROW:
            table.faults.append(Fault(number, None, line, f"the line is longer than {LONGEST_ROW} characters"))
        elif line.strip():
            rows.append(number)
            texts.append(line.strip())
    return table


def read_toml(text: str, name: str) -> RawTable:
    """The county's facts as one row."""
    try:
        facts = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SourceError(f"{name}: not readable as TOML ({error}). Correct that line.") from error
    depot = facts.pop("depot", {})
    rules = facts.pop("milestones", {})
    plain = {key: facts.pop(key, None) for key in ("name", "zone", "election_day")}
    assumptions = facts.pop("assumptions", {}) | {key: value for key, value in facts.items() if isinstance(value, dict)}
    odd = [key for key, value in facts.items() if not isinstance(value, dict)]
    row = {key: None if value is None else str(value) for key, value in plain.items()}
    row |= {f"depot_{key}": str(depot[key]) if key in depot else None for key in ("latitude", "longitude")}
    row |= {
        "assumptions": json.dumps(assumptions, sort_keys=True, default=str),
        "milestones": json.dumps(rules, sort_keys=True, default=str),
    }
    row |= {key: str(facts[key]) for key in odd}
    return RawTable(columns={key: [value] for key, value in row.items()}, rows=[1])


def read_json_lines(data: bytes, is_flattened: bool = False) -> RawTable:
    """Each line's object; values become text, a line that is no object becomes a fault.

    An object within it is one text, or, flattened, a column for each of its values: `meter.level`.
    """
    quick = json_frame(data) if len(data) >= QUICK_FROM else None
    if quick is not None:
        return RawTable(columns={s.name: s for s in quick.get_columns()}, rows=range(1, quick.height + 1))
    faults, rows, records = [], [], []
    for number, line in enumerate(physical_lines(data.decode("utf-8", "replace")), start=1):
        if not line.strip():
            continue
        record = json_object(line, number)
        if isinstance(record, Fault):
            faults.append(record)
        else:
            rows.append(number)
            records.append(flattened(record) if is_flattened else record)
    names = list(dict.fromkeys(name for record in records for name in record))
    columns = {name: [json_text(record.get(name)) for record in records] for name in names}
    return RawTable(columns, rows, faults)


def json_object(line: str, number: int) -> dict[str, object] | Fault:
    """The object on one line, or why there is none."""
    if "\x00" in line:
        return Fault(number, None, line, "the line holds a NUL byte; export it again")
    if len(line) > LONGEST_ROW:
        return Fault(number, None, line, f"the line is longer than {LONGEST_ROW} characters")
    try:
        record = json.loads(line.strip())
    except (ValueError, RecursionError) as error:
        return Fault(number, None, line, f"not a whole JSON object ({error}); export it again")
    if not isinstance(record, dict):
        return Fault(number, None, line, "a JSON value, but not an object; write one object a line")
    return record


def flattened(record: Mapping[str, object], path: str = "") -> dict[str, object]:
    """An object's values by the keys that lead to them, parted by dots; no value is lost where two lead alike."""
    found: dict[str, object] = {}
    for key, value in record.items():
        inner = flattened(value, f"{path}{key}.") if isinstance(value, dict) and value else {path + key: value}
        for name, each in inner.items():
            found[next(n for k in count() if (n := name + "_" * k) not in found)] = each
    return found


def json_text(value: object) -> str | None:
    """A JSON value as the text that stands in a table's cell."""
    kind = type(value)
    if kind is str:
        # A lone surrogate is legal in JSON's escapes and cannot be written as UTF-8.
        text = str(value)
        return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")
    if kind is int or kind is float:
        return repr(value)
    return None if value is None else json.dumps(value, ensure_ascii=False)


def read_csv(data: bytes, name: str, delimiter: str | None = None) -> RawTable:
    """A delimited table with a header row; a ragged row becomes a fault."""
    quick = quick_csv(data, delimiter) if len(data) >= QUICK_FROM else None
    if quick is not None:
        return quick
    lines = list(physical_lines(data.decode("utf-8", "replace")))
    start = next(i for i, line in enumerate(lines) if line.strip())
    delimiter = delimiter or find_delimiter(lines[start : start + SAMPLE])
    above, spent = header_of(lines[start:], delimiter)
    records = csv_records(lines[start + spent :], delimiter)
    header = unique_names(next(records))
    table = table_of(enumerate(records, start=above + 2), header, delimiter, above + 1)
    if len(header) == 1 and not table.rows and not table.faults:
        raise SourceError(f"{name}: a header, but no rows and no columns. Export it again.")
    return table


def header_of(lines: Sequence[str], delimiter: str) -> tuple[int, int]:
    """The records above a table's header, and the lines that they take: none of either where no title stands there."""
    csv.field_size_limit(1 << 30)
    reader = csv.reader(iter(lines[:HEADER_WITHIN]), delimiter=delimiter)
    begins, records = [0], []
    for record in islice(reader, SAMPLE):
        records.append(record)
        begins.append(reader.line_num)
    above = header_place(records)
    return above, begins[above]


def table_of(
    records: Iterable[tuple[int, list[str]]], header: list[str], delimiter: str, header_row: int = 1
) -> RawTable:
    """Numbered records as a table; blank ones are left out, and those that do not fit the header are faults."""
    rows: list[int] = []
    kept: list[list[str]] = []
    faults = []
    for number, record in records:
        fault = record_fault(record, header, number, delimiter)
        if fault:
            faults.append(fault)
        elif any(field.strip() for field in record):
            rows.append(number)
            kept.append(record)
    columns = zip(*kept, strict=True) if kept else ([] for _ in header)
    cells = {column: list(values) for column, values in zip(header, columns, strict=True)}
    return RawTable(cells, rows, faults, header_row)


def quick_csv(data: bytes, delimiter: str | None) -> RawTable | None:
    """A table whose well-formed lines polars reads; None where the careful reader is wanted for all of it."""
    head = list(islice(io.TextIOWrapper(io.BytesIO(data), "utf-8", "replace", newline=None), HEADER_WITHIN + SAMPLE))
    start = next((i for i, line in enumerate(head) if line.strip()), HEADER_WITHIN)
    if start >= HEADER_WITHIN:
        return None
    mark = delimiter or find_delimiter(head[start : start + SAMPLE])
    above, spent = header_of(head[start:], mark)
    start += spent
    names, spanned = csv_record(head, start, mark, None)
    header = unique_names(names)
    if start + spanned >= len(head):
        return None
    read_one = partial(csv_record, delimiter=mark, width=len(header))
    found = table_frame(data, mark, len(header), start + spanned, above + 1, read_one)
    if found is None:
        return None
    frame, others = without_blank(found[0]), table_of(found[1], header, mark)
    if others.rows:
        texts = [pl.Series(str(place), cells, dtype=pl.String) for place, cells in enumerate(others.columns.values())]
        frame = pl.concat([frame, pl.DataFrame([pl.Series("row", others.rows, dtype=pl.Int64), *texts])]).sort("row")
    row, *columns = frame.get_columns()
    return RawTable(dict(zip(header, columns, strict=True)), row.to_list(), others.faults, above + 1)


def record_fault(record: list[str], header: list[str], number: int, delimiter: str) -> Fault | None:
    """What is wrong with a record as such, before any column is looked at."""
    if not any(cell.strip() for cell in record):
        return None
    joined = delimiter.join(record)
    if "\x00" in joined:
        return Fault(number, None, joined, "the row holds a NUL byte; export it again")
    if len(joined) > LONGEST_ROW:
        return Fault(number, None, joined, f"the row is longer than {LONGEST_ROW} characters")
    if len(record) != len(header):
        return Fault(
            number,
            None,
            joined,
            f"{len(record)} fields where the header has {len(header)}; quote fields that hold {delimiter!r}",
        )
    return None


def csv_records(lines: list[str], delimiter: str) -> Iterator[list[str]]:
    """Records of a table. A quote that is never closed costs its own line, not the rest of the file."""
    csv.field_size_limit(1 << 30)
    place, width = 0, None
    while place < len(lines):
        reader = csv.reader(map(lines.__getitem__, range(place, len(lines))), delimiter=delimiter)
        restart = None
        for record in reader:
            spanned = reader.line_num
            if width is not None and len(record) != width and spanned - (restart or 0) > 1:
                # The fields don't fit and the record runs over several lines: read its first line alone.
                place += restart or 0
                yield next(csv.reader([lines[place]], delimiter=delimiter))
                place += 1
                break
            width = width or len(record)
            restart = spanned
            yield record
        else:
            return


def csv_record(lines: Sequence[str], place: int, delimiter: str, width: int | None) -> tuple[list[str], int]:
    """The record that begins on a line, and the lines that it takes; as `csv_records` has it."""
    csv.field_size_limit(1 << 30)
    reader = csv.reader(map(lines.__getitem__, range(place, len(lines))), delimiter=delimiter)
    record = next(reader)
    if width is not None and len(record) != width and reader.line_num > 1:
        return next(csv.reader([lines[place]], delimiter=delimiter)), 1
    return record, reader.line_num


def find_delimiter(lines: list[str]) -> str:
    """The delimiter that occurs most evenly: often in the header, and as often below; a title above it aside."""

    csv.field_size_limit(1 << 30)

    def fit(mark: str) -> tuple[bool, int, bool, int]:
        records = list(csv.reader(iter(lines), delimiter=mark))
        above = header_place(records)
        counts = [len(record) for record in records[above:]]
        even = sum(a == b > 1 for a, b in pairwise(counts))
        return counts[0] > 1, even, above == 0, counts[0]

    return max(DELIMITERS, key=fit)


def unique_names(header: list[str]) -> list[str]:
    """Header names without blanks or doubles."""
    seen: dict[str, int] = {}
    names = []
    for place, raw in enumerate(header, start=1):
        name = raw.strip().lstrip("\ufeff") or f"column_{place}"
        seen[name] = seen.get(name, 0) + 1
        names.append(name if seen[name] == 1 else f"{name}_{seen[name]}")
    return names


def short(value: str, length: int = 200) -> str:
    """A value as it came, cut for a message, with control characters made visible."""
    cut = value.rstrip("\r\n")[:length]
    return cut.replace("\x00", "␀") + ("…" if len(value) > length else "")
