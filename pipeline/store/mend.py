"""Correcting a row in quarantine: the correction is an entry of its own, with who and why; the original stays.

A mend is a row of the `entries` feed with action `mend`, so that it may come from the command line, the board or a
file. Its target is `SHA-256 row N`; its values hold `set` (column → value) and `why`. It counts from its receipt.
"""

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from pipeline.contracts.feeds import schema_of
from pipeline.contracts.moments import rfc3339
from pipeline.errors import UsageError
from pipeline.normalise.entered import said
from pipeline.normalise.shape import Piece
from pipeline.sources.tables import RawTable
from pipeline.store import entered
from pipeline.store.intake import Taken
from pipeline.store.originals import original

ACTION = "mend"
ROW_DIGITS = 18  # a longer number is no row, and no number that the log can be asked for


WAITING = (
    "q.type = 'quarantine' and not exists (select 1 from log r where r.type = 'row' and r.kind = q.kind "
    'and r.file = q.file and r."row" = q."row")'
)


@dataclass(frozen=True)
class Quarantined:
    """One row in quarantine: where it stands, and the kind that it should be of."""

    sha: str
    name: str
    row: int
    kind: str


def find(con: duckdb.DuckDBPyConnection, name: str, row: int) -> Quarantined:
    """The row of a file that is in quarantine, the newest file of that name first.

    Raises
    ------
    UsageError : if no such row is in quarantine.
    """
    found = con.sql(
        "select q.file, q.kind from log q join log f on f.type = 'file' and f.file = q.file and f.key = $name "
        f'where {WAITING} and q."row" = $row order by f.seq desc, q.seq desc limit 1',
        params={"name": name, "row": row},
    ).fetchall()
    if not found:
        raise UsageError(
            f"{name}, row {row}: not in quarantine. `wardbook take` and the board's Intake page list what is."
        )
    sha, kind = found[0]
    return Quarantined(sha, name, row, kind)


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


def unapplied(con: duckdb.DuckDBPyConnection) -> list[tuple[Quarantined, dict[str, str], datetime]]:
    """Mends of rows that are still in quarantine: the row, values set, receipt; in order of receipt."""
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
        waiting = still_waiting(con, sha, int(row)) if row.isdecimal() and len(row) < ROW_DIGITS else None
        if waiting:
            mends.append((waiting, changes(values), received_at.astimezone(UTC)))
    return mends


def changes(values: str | None) -> dict[str, str]:
    """What a mend sets; an entry that says it badly sets nothing."""
    told = said(values).get("set", {})
    return {str(k): str(v) for k, v in told.items()} if isinstance(told, dict) else {}


def still_waiting(con: duckdb.DuckDBPyConnection, sha: str, row: int) -> Quarantined | None:
    """A row of a file, by its hash, that is in quarantine; None if it has been accepted, or was never there."""
    names = con.sql(
        "select key from log where type = 'file' and file = $sha order by seq limit 1", params={"sha": sha}
    ).fetchall()
    kinds = con.sql(
        f'select q.kind from log q where {WAITING} and q.file = $sha and q."row" = $row order by q.seq desc limit 1',
        params={"sha": sha, "row": row},
    ).fetchall()
    return Quarantined(sha, names[0][0], row, kinds[0][0]) if names and kinds else None


def mended(
    con: duckdb.DuckDBPyConnection,
    originals: Path,
    target: Quarantined,
    values: Mapping[str, str],
    received_at: datetime,
) -> Taken:
    """A row with the corrections put in, ready to be taken: a file of its own with the original's hash and row number.

    The row is what stands in the file, or what an entry said that stands there.
    """
    entries = entered.at_row(con, target.sha, target.row, target.kind)
    if entries:
        record = entered.records(con, originals, target.kind, target.sha, entries)[0]
    else:
        file = original(con, target.sha, target.kind, target.name)
        record = file.rows(originals, [target.row])[0]
    columns: dict[str, list[str | None]] = {name: [value] for name, value in (record | dict(values)).items()}
    return Taken(target.name, target.sha, Piece(RawTable(columns=columns, rows=[target.row]), received_at, None))
