"""Numbers as people and exports write them: for looking at a file and for taking it alike."""

import polars as pl


def read_numbers(texts: pl.Series) -> pl.Series:
    """Text → numbers; `1,204` and `87%` are numbers, what is none is null."""
    if texts.str.contains(",", literal=True).any():
        texts = texts.str.replace_all(r"(\d),(\d{3})\b", "$1$2")
    if texts.str.ends_with("%").any():
        texts = texts.str.replace(r"\s*%$", "")
    value = texts.cast(pl.Float64, strict=False)
    return value.set(value.is_infinite() | value.is_nan(), None)
