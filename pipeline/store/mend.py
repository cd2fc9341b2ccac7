"""Correcting a row in quarantine: the correction is an entry of its own, with who and why; the original stays.

A mend is a row of the `entries` feed with action `mend`, so that it may come from the command line, the board or a
file. Its target is `SHA-256 row N`; its values hold `set` (column → value) and `why`. It counts from its receipt.
"""

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.contracts.feeds import schema_of
from pipeline.contracts.moments import rfc3339
from pipeline.errors import UsageError
from pipeline.normalise.shape import Piece, rename
from pipeline.sources import form_of
from pipeline.sources.bounded import read_bounded
from pipeline.sources.profile import Profile
from pipeline.sources.reading import read_table
from pipeline.sources.tables import RawTable
from pipeline.store.intake import Taken

ACTION = "mend"


@dataclass(frozen=True)
class Quarantined:
    """One row in quarantine: where it stands and how its file was read."""

    sha: str
    name: str
    row: int
    kind: str
    profile: Profile | None


def find(con: duckdb.DuckDBPyConnection, name: str, row: int) -> Quarantined:
    """The row of a file that is in quarantine, the newest file of that name first.

    Raises
    ------
    UsageError : if no such row is in quarantine.
    """
    found = con.sql(
        "select q.file, q.kind, json_extract(f.body, '$.profile')::varchar from log q join log f "
        "on f.type = 'file' and f.file = q.file and f.key = $name "
        "where q.type = 'quarantine' and q.\"row\" = $row order by f.seq desc limit 1",
        params={"name": name, "row": row},
    ).fetchall()
    if not found:
        raise UsageError(
            f"{name}, row {row}: not in quarantine. `wardbook take` and the board's Intake page list what is."
        )
    sha, kind, profile = found[0]
    table = json.loads(profile or "null")
    return Quarantined(sha, name, row, kind, Profile(**table) if table else None)


def find_profile(con: duckdb.DuckDBPyConnection, name: str, sha: str) -> Profile | None:
    """The profile with which a file was read, None without one."""
    found = con.sql(
        "select json_extract(body, '$.profile')::varchar from log where type = 'file' and key = $name and file = $sha "
        "order by seq limit 1",
        params={"name": name, "sha": sha},
    ).fetchall()
    table = json.loads(found[0][0] or "null") if found else None
    return Profile(**table) if table else None


def check_columns(target: Quarantined, values: Mapping[str, str]) -> None:
    """Refuses a correction of what the kind does not have."""
    strange = set(values) - set(schema_of(target.kind).columns)
    if strange or not values:
        named = ", ".join(sorted(strange)) or "nothing"
        columns = ", ".join(schema_of(target.kind).columns)
        raise UsageError(f"--set {named}: no column of {target.kind}. Its columns are {columns}.")


def mend_line(target: Quarantined, values: Mapping[str, str], by: str, why: str, now: datetime) -> str:
    """The mend as a line of an entries file."""
    entry = {
        "entry_id": f"mend-{uuid.uuid4().hex}",
        "at": rfc3339(now),
        "by": by,
        "action": ACTION,
        "target": f"{target.sha} row {target.row}",
        "values": json.dumps({"set": dict(values), "why": why}, ensure_ascii=False),
    }
    return json.dumps(entry, ensure_ascii=False) + "\n"


def unapplied(con: duckdb.DuckDBPyConnection) -> list[tuple[str, int, dict[str, str], datetime]]:
    """Mends whose row is not in the log yet: hash and row of the target, values set, receipt; in order of receipt."""
    found = con.sql(
        "select json_extract_string(body, '$.values.target'), json_extract_string(body, '$.values.values'), "
        "received_at "
        "from log where type = 'row' and kind = 'entries' and json_extract_string(body, '$.values.action') = $action "
        "order by received_at, content_hash",
        params={"action": ACTION},
    ).fetchall()
    mends = []
    for target, values, received_at in found:
        sha, _, row = str(target or "").partition(" row ")
        if row.isdigit() and not is_logged(con, sha, int(row)):
            mends.append((sha, int(row), changes(values), received_at))
    return mends


def changes(values: str | None) -> dict[str, str]:
    """What a mend sets; an entry that says it badly sets nothing."""
    try:
        said = json.loads(values or "{}").get("set", {})
    except (ValueError, AttributeError):
        return {}
    return {str(k): str(v) for k, v in said.items()} if isinstance(said, dict) else {}


def is_logged(con: duckdb.DuckDBPyConnection, sha: str, row: int) -> bool:
    """Whether a row of a file has been accepted."""
    sql = "select count(*) from log where type = 'row' and file = $sha and \"row\" = $row"
    return bool(con.sql(sql, params={"sha": sha, "row": row}).fetchall()[0][0])


def mended(
    con: duckdb.DuckDBPyConnection,
    originals: Path,
    sha: str,
    row: int,
    values: Mapping[str, str],
    received_at: datetime,
) -> tuple[str, Taken] | None:
    """The row of the original with the corrections put in, ready to be taken; None if there is no such row.

    Returns
    -------
    its kind, and the one row as a file of its own that keeps the original's hash and row number
    """
    names = con.sql("select key from log where type = 'file' and file = $sha", params={"sha": sha}).fetchall()
    if not names:
        return None
    target = find(con, names[0][0], row)
    form = (target.profile.format if target.profile else None) or form_of(target.name, target.kind)
    raw = read_table(read_bounded(originals / sha, target.name, form), target.name, form, target.profile)
    record = as_ours(raw, row, target)
    columns: dict[str, list[str | None]] = {name: [value] for name, value in (record | dict(values)).items()}
    piece = Piece(RawTable(columns=columns, rows=[row]), received_at, None)
    return target.kind, Taken(target.name, sha, piece)


def as_ours(raw: RawTable, row: int, target: Quarantined) -> dict[str, Any]:
    """A row of the original under our names; a row that could not even be told apart has no values."""
    frame = rename(raw.frame(), target.kind, target.profile).filter(pl.col("row") == row)
    return frame.drop("row").to_dicts()[0] if frame.height else {}
