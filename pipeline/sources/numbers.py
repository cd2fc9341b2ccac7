"""Numbers as people and exports write them: for looking at a file and for taking it alike."""

import polars as pl

COUNTED_FROM, NEARLY_ALL = 12, 0.95  # rows from which steps tell that numbers count them [count]; share of these
THOUSANDS = r"^\s*[+-]?\d+(?:,\d{3})+(?:\.\d*)?\s*%?\s*$"


def read_numbers(texts: pl.Series) -> pl.Series:
    """Text → numbers; `1,204`, `5,5` and `87%` are numbers, what is none is null.

    Three digits behind a comma are thousands; fewer, or more, are a fraction as much of the world writes it.
    """
    if texts.str.contains(",", literal=True).any():
        texts = texts.str.replace(r"^(\s*[+-]?\d+),(\d{1,2}|\d{4,})(\s*%?\s*)$", "$1.$2$3")
        grouped = texts.str.contains(THOUSANDS)
        texts = texts.str.replace_all(",", "", literal=True).zip_with(grouped.fill_null(False), texts)
    if texts.str.ends_with("%").any():
        texts = texts.str.replace(r"\s*%$", "")
    value = texts.cast(pl.Float64, strict=False)
    return value.set(value.is_infinite() | value.is_nan(), None)


def count_rows(numbers: pl.Series) -> bool:
    """Whether numbers go up by as much from nearly every row to the next, as those of records do."""
    steps = numbers.diff().drop_nulls()  # greater than one where the rows were drawn from many
    step = float(steps.median() or 0)  # type: ignore[arg-type]
    return numbers.len() >= COUNTED_FROM and step > 0 and int((steps == step).sum()) >= NEARLY_ALL * (numbers.len() - 1)


def are_numbered(values: pl.Series) -> bool:
    """Whether nearly all values have two digits or more."""
    return float((values.str.count_matches(r"\d") > 1).mean() or 0) >= NEARLY_ALL  # type: ignore[arg-type]
