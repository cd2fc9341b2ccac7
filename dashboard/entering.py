"""What people enter on the board: kept in the book's inbox, waiting until its receipt is there, withdrawable.

The board itself changes nothing: the writer takes the file like any other, and the next snapshot shows what it became.
"""

import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data, words
from dashboard.acting import ITEM
from dashboard.data import Picture
from pipeline.normalise.entered import moment_said, said, withdrawn
from pipeline.store import inbox
from pipeline.store.book import Book
from pipeline.store.people import names_behind

PHONES = "WARDBOOK_PHONES"  # set where names and numbers behind tokens may be shown
WHO = "who"  # key of who enters, in the session
MINE = "mine"  # entry ids of this session → what was said when they were kept
REPLAY_SECONDS = (
    120.0  # a snapshot whose own clock is further than this from the file's is of a replayed day; our choice
)
SILENT = timedelta(seconds=150)  # a writer publishes every 60 s; silent this long, it is away; our choice
WAITING, REFUSED = "◌ waiting", "✗ not accepted: the Intake page says why"
SHOWN = 40  # newest entries listed [count]


@dataclass(frozen=True)
class Told:
    """An entry as it is listed."""

    entry_id: str
    at: datetime | None
    by: str
    action: str
    target: str | None
    values: Mapping[str, Any]
    state: str
    is_withdrawn: bool = False


def book() -> Book:
    """The book that is shown."""
    return Book(data.folder())


def now() -> datetime:
    """The time of an entry: the clock, or a replayed day's own time."""
    published = data.published_at()
    wall = datetime.now(UTC)
    try:
        written = datetime.fromtimestamp(book().published.stat().st_mtime, UTC)
    except OSError:
        return wall
    if published is None or abs((written - published).total_seconds()) < REPLAY_SECONDS:
        return wall
    return published


def silent_since() -> datetime | None:
    """Since when the writer has published nothing, None while it is there. In the time of this machine's clock."""
    try:
        written = book().published.stat().st_mtime
    except OSError:
        return None
    return datetime.fromtimestamp(written, UTC) if time.time() - written > SILENT.total_seconds() else None


def who() -> str:
    """Who enters, as said at the top of the page."""
    return str(st.session_state.get(WHO) or "").strip()


def keep(
    action: str, target: str | None = None, values: Mapping[str, Any] | None = None, withdraws: str | None = None
) -> bool:
    """Keeps one entry and says so; without a name it says that one is needed and keeps nothing."""
    return keep_all([(action, target, values or {})], withdraws)


def keep_all(what: Sequence[tuple[str, str | None, Mapping[str, Any]]], withdraws: str | None = None) -> bool:
    """Keeps several entries as one file."""
    if not who():
        st.toast("Not kept: write who you are first, at the top right.")
        return False
    at = now()
    entries = [inbox.entry(action, who(), at, target, values, withdraws) for action, target, values in what]
    try:
        file = inbox.drop(book(), entries)
    except OSError as error:
        st.toast(f"Not kept: the inbox cannot be written ({error.strerror}). Write it on paper and tell the keeper.")
        return False
    mine = st.session_state.setdefault(MINE, {})
    for entry in entries:
        mine[entry["entry_id"]] = entry | {"file": file}
    st.toast("Kept. It waits for its receipt.")
    return True


def enter(action: str, target: str | None = None, values: Mapping[str, Any] | None = None) -> None:
    """As `keep`, for a button."""
    keep(action, target, values)


def enter_all(what: Sequence[tuple[str, str | None, Mapping[str, Any]]]) -> None:
    """As `keep_all`, for a button."""
    keep_all(what)


def may_name() -> bool:
    """Whether names and numbers behind tokens may be shown on this board."""
    return os.environ.get(PHONES) == "1"


def people() -> dict[str, str]:
    """Token → name, where it is allowed."""
    if not may_name():
        return {}
    try:
        return names_behind(book().people)
    except Exception:  # the writer has the file open for a moment; the token is shown instead
        return {}


def named(picture: Picture, by: str) -> str:
    """Who is behind a token, as far as this board may say: this session's own name, a name, or the token."""
    mine = st.session_state.get(MINE, {})
    own = picture.known.entries.filter((pl.col("by") == by) & pl.col("entry_id").is_in(list(mine)))["entry_id"]
    return f"you, {mine[own[0]]['by']}" if len(own) else people().get(by, by)


def waiting(picture: Picture) -> list[Told]:
    """Entries of anybody that have no receipt yet, oldest first: still in the inbox, or taken and not yet published."""
    received = set(picture.known.entries["entry_id"])
    found: dict[str, dict[str, Any]] = {}
    for file in inbox.waiting(book()):
        found |= {entry["entry_id"]: entry for entry in file.entries}
    mine, taken = st.session_state.get(MINE, {}), set(picture.receipts["file"])
    found |= {entry_id: entry for entry_id, entry in mine.items() if entry_id not in received}
    return [
        Told(
            entry_id,
            moment_said(entry.get("at")),
            str(entry.get("by") or "nobody named"),
            str(entry.get("action") or "an entry"),
            None if entry.get("target") is None else str(entry["target"]),
            said(entry.get("values")),
            REFUSED if entry.get("file") in taken else WAITING,
        )
        for entry_id, entry in found.items()
        if entry_id not in received
    ]


def lately(picture: Picture, target: str | None = None) -> list[Told]:
    """Entries with and without a receipt, newest first; with a target, those about it."""
    rows: pl.DataFrame = picture.known.entries
    if target is not None:
        rows = rows.filter(pl.col("target") == target)
    gone, names = withdrawn(picture.known.entries), people()
    mine = st.session_state.get(MINE, {})
    found = []
    for row in rows.sort("received_at", "at", "entry_id", descending=True).head(SHOWN).iter_rows(named=True):
        own = mine.get(row["entry_id"])
        values = said(row["values"]) | ({"takes back": row["withdraws"]} if row["withdraws"] else {})
        found.append(
            Told(
                row["entry_id"],
                row["at"],
                f"you, {own['by']}" if own else names.get(row["by"], row["by"]),
                row["action"],
                row["target"],
                values,
                "✗ taken back" if row["entry_id"] in gone else f"✓ received {when(picture, row['received_at'])}",
                row["entry_id"] in gone,
            )
        )
    ahead = [t for t in waiting(picture) if target is None or t.target == target]
    return [*reversed(ahead), *found]


def when(picture: Picture, at: datetime | None) -> str:
    """A time of the county's clock."""
    return words.clock(at, picture.zone, picture.at)


def in_words(told: Told) -> str:
    """What an entry says, in one line: free words as they are, then other values by name, then the line it answers."""
    free = [str(told.values[name]) for name in ("text", "why") if told.values.get(name)]
    rest = [
        f"{name.replace('_', ' ')}: {value}"
        for name, value in told.values.items()
        if name not in ("text", "why", "what", ITEM) and value is not None
    ]
    about = [f"on: {told.values['what']}"] if told.values.get("what") else []
    return "; ".join([*free, *rest, *about]) or "–"
