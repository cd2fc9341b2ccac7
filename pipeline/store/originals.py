"""A file that the book keeps, read once more: how it was read when it was taken, and rows of it as they came."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.normalise.shape import rename
from pipeline.sources.bounded import read_bounded
from pipeline.sources.profile import Profile, form_with
from pipeline.sources.reading import read_table
from pipeline.sources.tables import RawTable


@dataclass(frozen=True)
class Original:
    """A file under the name that it came by, and how it is read."""

    sha: str
    name: str
    kind: str
    profile: Profile | None

    @property
    def form(self) -> str:
        return form_with(self.profile, self.name, self.kind)

    def read(self, folder: Path) -> RawTable:
        """All of its rows; `folder` holds the originals."""
        return read_table(read_bounded(folder / self.sha, self.name, self.form), self.name, self.form, self.profile)

    def rows(self, folder: Path, numbers: list[int]) -> list[dict[str, Any]]:
        """Rows by their numbers, under our names; one that could not even be told apart has no values."""
        frame = rename(self.read(folder).frame(), self.kind, self.profile)
        found = {row.pop("row"): row for row in frame.filter(pl.col("row").is_in(numbers)).to_dicts()}
        return [found.get(number, {}) for number in numbers]


def original(con: duckdb.DuckDBPyConnection, sha: str, kind: str, name: str) -> Original:
    """A file as it was taken.

    A row that is corrected or said by an entry leaves a receipt of the same hash without a profile, and a file may have
    been tried without one first: the newest profile is the one that it is read by.
    """
    found = con.sql(
        "select json_extract(body, '$.profile')::varchar from log where type = 'file' and file = $sha and key = $name "
        "and json_extract_string(body, '$.profile') is not null order by seq desc limit 1",
        params={"sha": sha, "name": name},
    ).fetchall()
    return Original(sha, name, kind, profile_logged(found[0][0]) if found else None)


def profile_logged(text: str | None) -> Profile | None:
    """A profile as a file's receipt keeps it: JSON, or nothing."""
    table = json.loads(text or "null")
    return Profile(**table) if table else None
