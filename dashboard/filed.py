"""What the snapshot says of the files that were taken: rows by outcome, and those in quarantine."""

from datetime import datetime
from pathlib import Path

import polars as pl
import streamlit as st

from dashboard.data import PICTURES_KEPT, Picture, decoded
from pipeline.store import read
from pipeline.store.book import Book
from pipeline.store.quarantine import quarantine_at


def intake_by_kind(picture: Picture) -> dict[str, dict[str, int]]:
    """Rows by outcome for each kind of feed, as the review prints them."""
    with read.Snapshot(Book(Path(picture.folder)).published) as snapshot:
        return read.intake_by_kind(snapshot.con, picture.at)


def quarantine(picture: Picture) -> pl.DataFrame:
    """Rows in quarantine at the picture's time, with their reasons."""
    return quarantine_of(picture.folder, picture.version, picture.at)


def sha_of(picture: Picture, name: str, row: int) -> str | None:
    """The SHA-256 of the file of that name whose row is in quarantine."""
    with read.Snapshot(Book(Path(picture.folder)).published) as snapshot:
        found = snapshot.con.sql(
            "select q.file from log q join log f on f.type = 'file' and f.file = q.file and f.key = $name "
            "where q.type = 'quarantine' and q.\"row\" = $row order by f.seq desc limit 1",
            params={"name": name, "row": row},
        ).fetchall()
    return str(found[0][0]) if found else None


@st.cache_data(max_entries=PICTURES_KEPT, show_spinner=False)
def quarantine_of(folder: str, version: int, at: datetime) -> pl.DataFrame:
    """As `quarantine`, kept by version and time."""
    with read.Snapshot(Book(Path(folder)).published) as snapshot:
        return quarantine_at(snapshot.con, decoded(folder).read(snapshot.con), at)
