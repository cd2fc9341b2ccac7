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
from pipeline.sources import form_of
from pipeline.sources.bounded import read_bounded
from pipeline.sources.profile import Profile
from pipeline.sources.reading import read_table
from pipeline.sources.tables import RawTable
from pipeline.store.intake import Taken
from pipeline.store.mend import Quarantined, as_ours, find_profile

Entry = tuple[str, int, str, dict[str, Any], datetime]  # file name, row, action, values as logged, receipt


def unapplied(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str, datetime], list[Entry]]:
    """The entries that say a row which has not been taken, by kind, file (SHA-256) and receipt, in order of receipt."""
    kind_of = " ".join(f"when '{action}' then '{kind}'" for action, kind in ENTRY_ROWS.items())
    found = con.sql(
        "with said as (select seq, file, \"row\" as line, received_at, json_extract_string(body, '$.values.action') "
        "as action, json_extract(body, '$.values')::varchar as told from log where type = 'row' and kind = 'entries'), "
        f"rows_said as (select *, case action {kind_of} end as says from said), "
        "files as (select file, min(key) as name from log where type = 'file' and kind = 'entries' group by file) "
        "select says, e.file, f.name, line, action, told, e.received_at from rows_said e join files f using (file) "
        "where says is not null and not exists (select 1 from log d where d.type = 'file' and d.kind = e.says "
        "and d.file = e.file and d.received_at >= e.received_at) order by e.received_at, e.seq"
    ).fetchall()
    groups: dict[tuple[str, str, datetime], list[Entry]] = {}
    for kind, sha, name, row, action, values, received_at in found:
        moment = received_at.astimezone(UTC)
        groups.setdefault((kind, sha, moment), []).append((name, row, action, said(values), moment))
    return groups


def rows_entered(con: duckdb.DuckDBPyConnection, originals: Path, kind: str, sha: str, entries: list[Entry]) -> Taken:
    """The rows that the entries of one file say, ready to be taken as rows of a kind."""
    name, received_at = entries[0][0], entries[0][-1]
    profile = find_profile(con, name, sha)
    rows = [row for _, row, *_ in entries]
    texts = original_values(originals / sha, name, profile, sha, rows)
    records = [
        row_said(kind, logged.get("target"), logged.get("at"), text if said(text) else logged.get("values"))
        for (_, _, _, logged, _), text in zip(entries, texts, strict=True)
    ]
    names = list(dict.fromkeys(column for record in records for column in record))
    columns: dict[str, list[str | None]] = {column: [record.get(column) for record in records] for column in names}
    return Taken(name, sha, Piece(RawTable(columns=columns, rows=rows), received_at, None))


def original_values(path: Path, name: str, profile: Profile | None, sha: str, rows: list[int]) -> list[str | None]:
    """The `values` of rows of an entries file as they came."""
    form = (profile.format if profile else None) or form_of(name, "entries")
    raw = read_table(read_bounded(path, name, form), name, form, profile)
    return [as_ours(raw, row, Quarantined(sha, name, row, "entries", profile)).get("values") for row in rows]
