"""What is in quarantine at a time: rows with faults, and rows whose ids no roster lists yet.

A row leaves it when it is mended, judged again, listed, or when the entry that said it is taken back.
"""

import json
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.contracts.feeds import FEEDS
from pipeline.normalise.times import UTC_US
from pipeline.store.intake import listed_in
from pipeline.store.read import Rows, rows_taken_back, states


def quarantine_at(con: duckdb.DuckDBPyConnection, rows: Rows, at: datetime) -> pl.DataFrame:
    """One row a fault in quarantine at `at`: file, kind, row number, column, value (masked) and reason."""
    names = dict(con.sql("select file, min(key) from log where type = 'file' group by file").fetchall())
    found = con.sql(
        "select file, kind, \"row\", received_at, body from log q where type = 'quarantine' and received_at <= $at "
        "and not exists (select 1 from log r where r.type = 'row' and r.kind = q.kind and r.received_at <= $at "
        'and r.file = q.file and r."row" = q."row") '
        # once the zone is known, rows that waited for it have been judged again
        "and not (json_extract_string(body, '$.code') = 'no-zone' and exists (select 1 from log c "
        "where c.type = 'row' and c.kind = 'county' and c.seq > q.seq and c.received_at <= $at)) "
        'order by received_at, file, "row"',
        params={"at": at},
    ).fetchall()
    gone = rows_taken_back(states(rows, "entries", at))
    taken_back = set(gone.iter_rows())
    records: list[dict[str, Any]] = [
        {"file": names.get(file, file), "kind": kind, "row": row, "received_at": received_at, **reason}
        for file, kind, row, received_at, body in found
        for reason in json.loads(body)["reasons"]
        if (file, row) not in taken_back
    ]
    waiting = waiting_rows(rows, at, gone)
    records += [row | {"file": names.get(row["file"], row["file"])} for row in waiting]
    texts = dict.fromkeys(("column", "value", "reason"), pl.String)
    schema: dict[str, Any] = {"file": pl.String, "kind": pl.String, "row": pl.Int64, "received_at": UTC_US, **texts}
    return pl.DataFrame(records, schema=schema, orient="row")


def waiting_rows(rows: Rows, at: datetime, gone: pl.DataFrame) -> list[dict[str, Any]]:
    """Rows received by `at` whose ids no roster lists by then; those in `gone` do not count."""
    records: list[dict[str, Any]] = []
    for kind in FEEDS:
        for name, roster in listed_in(kind).items():
            listed = states(rows, roster, at)["key"]
            reason = f"no roster lists this {name.removesuffix('_id')} yet"
            waiting = states(rows, kind, at, gone).filter(~pl.col(name).is_in(listed.implode()))
            found = waiting.select("file", "row", "received_at", value=name, kind=pl.lit(kind))
            records += found.with_columns(column=pl.lit(name), reason=pl.lit(reason)).to_dicts()
    return records
