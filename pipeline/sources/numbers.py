"""Numbers as people and exports write them: for looking at a file and for taking it alike."""

import polars as pl

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
