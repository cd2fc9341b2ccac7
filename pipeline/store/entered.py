"""Entries made by hand → rows of the feeds: a call typed on the board is a ticket like any other, with its receipt.

The row is read from the entry's original, so that callers become tokens and words are masked as in the feed itself. It
keeps the file and row number of its entry.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from pipeline.contracts.words import ENTRY_ROWS
from pipeline.normalise.entered import row_said, said
from pipeline.normalise.shape import Piece
from pipeline.sources.tables import RawTable
from pipeline.store.intake import Taken
from pipeline.store.originals import original

Entry = tuple[str, int, dict[str, Any], datetime]  # file name, row, values as logged, receipt


def saying(con: duckdb.DuckDBPyConnection, which: str, **params: object) -> list[tuple[str, str, Entry]]:
    """Entries that say a row, in order of receipt: the kind of the row, the file (SHA-256), the entry."""
    kind_of = " ".join(f"when '{action}' then '{kind}'" for action, kind in ENTRY_ROWS.items())
    found = con.sql(
        "with said as (select seq, file, \"row\" as line, received_at, json_extract_string(body, '$.values.action') "
        "as action, json_extract(body, '$.values')::varchar as told from log where type = 'row' and kind = 'entries'), "
        f"rows_said as (select *, case action {kind_of} end as says from said), "
        "files as (select file, min(key) as name from log where type = 'file' and kind = 'entries' group by file) "
        "select says, e.file, f.name, line, told, e.received_at from rows_said e join files f using (file) "
        f"where says is not null and {which} order by e.received_at, e.seq",
        params=params,
    ).fetchall()
    return [
        (kind, sha, (name, row, said(values), received_at.astimezone(UTC)))
        for kind, sha, name, row, values, received_at in found
    ]


def unapplied(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str, datetime], list[Entry]]:
    """The entries that say a row which has not been taken, by kind, file (SHA-256) and receipt, in order of receipt."""
    groups: dict[tuple[str, str, datetime], list[Entry]] = {}
    not_taken = (
        "not exists (select 1 from log d where d.type = 'file' and d.kind = e.says "
        "and d.file = e.file and d.received_at >= e.received_at)"
    )
    for kind, sha, entry in saying(con, not_taken):
        groups.setdefault((kind, sha, entry[-1]), []).append(entry)
    return groups


def at_row(con: duckdb.DuckDBPyConnection, sha: str, row: int, kind: str) -> list[Entry]:
    """The entry at a row of a file that says a row of a kind, if there is one."""
    found = saying(con, "e.file = $sha and e.line = $row and e.says = $kind", sha=sha, row=row, kind=kind)
    return [entry for _, _, entry in found[-1:]]


def rows_entered(con: duckdb.DuckDBPyConnection, originals: Path, kind: str, sha: str, entries: list[Entry]) -> Taken:
    """The rows that the entries of one file say, ready to be taken as rows of a kind."""
    name, received_at = entries[0][0], entries[0][-1]
    said_rows = records(con, originals, kind, sha, entries)
    names = list(dict.fromkeys(column for record in said_rows for column in record))
    columns: dict[str, list[str | None]] = {column: [record.get(column) for record in said_rows] for column in names}
    rows = [row for _, row, *_ in entries]
    return Taken(name, sha, Piece(RawTable(columns=columns, rows=rows), received_at, None))


def records(
    con: duckdb.DuckDBPyConnection, originals: Path, kind: str, sha: str, entries: list[Entry]
) -> list[dict[str, str | None]]:
    """The rows that the entries of one file say, under the names of their kind."""
    file = original(con, sha, "entries", entries[0][0])
    texts = [row.get("values") for row in file.rows(originals, [row for _, row, *_ in entries])]
    return [
        row_said(kind, logged.get("target"), logged.get("at"), text if said(text) else logged.get("values"))
        for (_, _, logged, _), text in zip(entries, texts, strict=True)
    ]
