"""docs/DATA.md, made from the models: `python -m pipeline.contracts.document > docs/DATA.md`."""

import inspect
from importlib.resources import files

import pandera.polars as pa
import polars as pl

from pipeline.contracts import events
from pipeline.contracts.asked import ASKED, LISTS
from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.events import READINGS, TABLES, Logged
from pipeline.contracts.feeds import FEEDS, KEYS, closed_list
from pipeline.contracts.further import FURTHER

TYPES: dict[type[pl.DataType], str] = {
    pl.String: "text",
    pl.Int64: "whole number",
    pl.Float64: "number",
    pl.Boolean: "yes or no",
    pl.Datetime: "time",
}
MARKS = {
    "personal": "a token stands for it in the log",
    "masked": "names and numbers masked in the log",
    "roster": "waits until the roster of {} lists it",
}
ESTIMATES_HEAD = (
    "Every row also carries `as_of`, the T that it answers for, and `at`: the same time, but for a step, where it is\n"
    "when that was done, and the outlook, where it is the time looked ahead to. `_low` and `_high` are the 5 % and\n"
    "the 95 % point; a null is an unknown, never a nought."
)
HEADER = "| column | type | meaning |\n|---|---|---|"


def type_word(dtype: pl.DataType) -> str:
    """What a reader calls a column's type."""
    if isinstance(dtype, pl.List):
        return "list of texts"
    return TYPES[dtype.base_type()]


def meaning(column: pa.Column) -> str:
    """What a column says: its description, its closed list, and what becomes of it in the log."""
    marks = column.metadata or {}
    said = str(marks.get("meaning") or column.description or "")
    listed = ", ".join(f"`{word}`" for word in closed_list(column))
    kept = [text.format(marks[mark]) for mark, text in MARKS.items() if marks.get(mark)]
    return "; ".join(part for part in (said, listed and f"one of {listed}", *kept) if part)


def line(name: str, type_: str, said: str, *, is_required: bool = False) -> str:
    """One row of a table."""
    shown = f"**{name}**" if is_required else name
    return f"| {shown} | {type_} | {said.replace('|', '/')} |"


def columns_of(model: type[pa.DataFrameModel]) -> dict[str, pa.Column]:
    """A model's columns by name, in its order."""
    return dict(model.to_schema().columns)


def summary(model: type[pa.DataFrameModel]) -> str:
    """The model's docstring: what one row is, and the key."""
    return inspect.getdoc(model) or ""


def feed_section(kind: str) -> str:
    """A feed's columns; the required ones in bold."""
    rows = [
        line(name, type_word(column.dtype.type), meaning(column), is_required=not column.nullable)
        for name, column in columns_of(FEEDS[kind]).items()
    ]
    return "\n".join([f"### {kind}", "", summary(FEEDS[kind]), "", HEADER, *rows])


def table_rows(model: type[pa.DataFrameModel], without: set[str]) -> list[str]:
    """A model's columns but for some."""
    return [
        line(name, type_word(column.dtype.type), meaning(column))
        for name, column in columns_of(model).items()
        if name not in without
    ]


def known_section(kind: str) -> str:
    """A normalised table: its feed's columns and what is added."""
    own = table_rows(TABLES[kind], set(columns_of(FEEDS[kind])) | set(columns_of(Logged)))
    head = f"The columns of [{kind}](#{kind}), the columns that the log adds"
    more = [f"{head}, and:", "", HEADER, *own] if own else [f"{head}, and no others."]
    return "\n".join([f"### {kind} as known at T", "", summary(TABLES[kind]), "", *more])


def model_section(name: str, model: type[pa.DataFrameModel], further: dict[str, tuple[str, str]] | None = None) -> str:
    """Any other model: all its columns, then those that may follow."""
    rows = table_rows(model, set()) + [line(n, type_, said) for n, (type_, said) in (further or {}).items()]
    return "\n".join([f"### {name}", "", summary(model), "", HEADER, *rows])


def document() -> str:
    """The whole page."""
    head = files("pipeline.contracts").joinpath("data_head.md").read_text("utf-8").rstrip("\n")
    logged = "\n".join(["### What the log adds", "", summary(Logged), "", HEADER, *table_rows(Logged, set())])
    parts = [
        head,
        "## Feeds\n\nRequired columns are bold. A column that nobody mapped is kept in `attributes`, never dropped.",
        *[feed_section(kind) for kind in KEYS],
        "## Normalised tables\n\n" + (inspect.getdoc(events) or ""),
        logged,
        *[known_section(kind) for kind in TABLES],
        "## Readings\n\nWhat is worked out once and used by several estimates.",
        *[model_section(name, model) for name, model in READINGS.items()],
        "## Estimates\n\n" + ESTIMATES_HEAD,
        *[model_section(f"wardbook estimate {what}", m, FURTHER.get(what)) for what, m in ESTIMATES.items()],
        "## On request\n\nNot part of `estimate all`, and not published: each replays or runs on whole days.",
        *[model_section(f"wardbook {command}", m) for command, m in ASKED.items()],
        "## Lists that a question brings along\n\nCSV files, read for one answer; they enter no book.",
        *[model_section(f"wardbook {use}", m) for use, m in LISTS.items()],
    ]
    return "\n\n".join(parts)


if __name__ == "__main__":
    print(document())
