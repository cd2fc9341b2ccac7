"""Tables of any length: the rows that matter most, words to find the others by, and every row where it is asked for.

A browser takes seconds over ten thousand rows, and putting them into words takes the server a part of one: so they are
made when somebody wants them.
"""

from collections.abc import Callable, Sequence

import polars as pl
import streamlit as st

from dashboard import panels, words

MOST = 200  # rows shown unasked [count]: our choice
FIND_PX = 340  # width of the field for words [px]
Make = Callable[[int | None], pl.DataFrame]


def head(frame: pl.DataFrame, most: int | None) -> pl.DataFrame:
    """The first rows of a frame; all for None."""
    return frame if most is None else frame.head(most)


def table(make: Make, total: int, key: str, order: str, height: int | None = None, pinned: str | None = None) -> None:
    """A table; where it has more than `MOST` rows the first ones, and ways to the others.

    Parameters
    ----------
    make : gives so many of the first rows in the words of the board; all for None
    total : the rows that there are [count]
    order : of the rows, in words: "the longest waits first"
    """
    if total <= MOST:
        panels.frame(make(None), key, height, pinned)
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        said = st.text_input(
            f"Find in all {words.count(total)} rows", key=f"find-{key}", width=FIND_PX,
            placeholder="words of a row: a place, a unit, a state",
        )  # fmt: skip
        is_all = st.toggle("Show every row (slower)", key=f"all-{key}")
    wanted = said.split()
    found = with_words(make(None), wanted) if wanted else make(None if is_all else MOST)
    cut = found if is_all else found.head(MOST)
    panels.markup(f'<p class="small">{words.safe(told(cut.height, found.height, total, order, bool(wanted)))}</p>')
    if cut.height:
        panels.frame(cut, key, height, pinned)


def told(shown: int, found: int, total: int, order: str, is_sought: bool) -> str:
    """How many rows are shown, of how many, and how the others are reached."""
    if is_sought:
        more = f"; the first {words.count(shown)} are shown" if shown < found else ""
        return f"{words.count(found)} of {words.count(total)} rows have these words{more}."
    if shown == total:
        return f"All {words.count(total)} rows, {order}."
    return (
        f"The first {words.count(shown)} of {words.count(total)} rows, {order}. The other "
        f"{words.count(total - shown)} are found by their words or shown by the switch; the download has all."
    )


def with_words(rows: pl.DataFrame, wanted: Sequence[str]) -> pl.DataFrame:
    """The rows in which every one of some words stands, in whatever column; capitals or not."""
    text = pl.concat_str(pl.all().cast(pl.String), separator=" ", ignore_nulls=True).str.to_lowercase()
    return rows.filter(pl.all_horizontal(text.str.contains(word.lower(), literal=True) for word in wanted))
