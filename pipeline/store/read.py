"""The log read back: frames as known at T, receipts and quarantine; nothing here writes.

A row counts at T if its content was received by T and, where a roster must list it, a roster row received by T does.
The state of a key at T is the row with the latest receipt; ties go to the larger content hash.
"""

import json
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.contracts.events import TABLES
from pipeline.contracts.feeds import FEEDS, schema_of
from pipeline.contracts.known import Known, empty
from pipeline.contracts.moments import local_time
from pipeline.contracts.words import VOTING_STEPS
from pipeline.errors import BookEmpty
from pipeline.normalise.clocks import correct_clocks
from pipeline.normalise.county import county_of
from pipeline.normalise.entered import with_states, withdrawn
from pipeline.normalise.times import UTC_US
from pipeline.settings import Settings, flatten, read_settings
from pipeline.store.log import connect
from pipeline.store.originals import Original, profile_logged

EVER = datetime.min.replace(tzinfo=UTC)
AT_START = 2  # entries that a new book begins with: its settings, and its vocabulary where it has one
LOGGED = ("seq", "key", "content_key", "content_hash", "file", "row", "received_at", "attributes")
DEFAULTS: dict[str, float] = {"battery_minutes": 240.0, "recharge_minutes": 300.0, "bin_capacity": 4000}  # the contract


@dataclass
class Rows:
    """Every row of a log, decoded; `upto` is the number of entries read, so that a later read adds the rest."""

    upto: int = 0
    tables: dict[str, pl.DataFrame] = field(default_factory=dict)
    earlier: pl.DataFrame | None = None
    settings: list[tuple[datetime, str]] = field(default_factory=list)
    vocabularies: list[tuple[datetime, str]] = field(default_factory=list)


def read_rows(con: duckdb.DuckDBPyConnection, so_far: Rows | None = None) -> Rows:
    """The rows of a log; those read before are kept, only later entries are decoded."""
    old = so_far or Rows()
    size = con.sql("select coalesce(max(seq) + 1, 0) from log").fetchall()[0][0]
    if size == old.upto:
        return old
    tables = dict(old.tables)
    changed = con.sql("select distinct kind from log where type = 'row' and seq >= $start", params={"start": old.upto})
    for (kind,) in changed.fetchall():
        found = con.sql(
            'select seq, key, content_key, content_hash, file, "row", received_at, '
            "json_extract(body, '$.attributes')::varchar as attributes, json_extract(body, '$.values')::varchar as v "
            "from log where type = 'row' and kind = $kind and seq >= $start order by seq",
            params={"kind": kind, "start": old.upto},
        ).pl()
        new = decode(in_hex(found, "content_key", "content_hash"), kind)
        tables[kind] = pl.concat([old.tables[kind], new]) if kind in old.tables else new
    earlier = con.sql(
        "select content_key, min(received_at) as earlier_at from log where type = 'earlier' group by content_key"
    ).pl()
    return Rows(size, tables, in_hex(earlier, "content_key"), settings_logged(con), vocabularies_logged(con))


def in_hex(frame: pl.DataFrame, *names: str) -> pl.DataFrame:
    """Digests as hex text; logs of format 1 hold them so already."""
    return frame.with_columns(pl.col(n).bin.encode("hex") for n in names if frame.schema[n] == pl.Binary)


def decode(found: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Canonical values → the kind's types."""
    columns = schema_of(kind).columns
    values = found["v"].str.json_decode(pl.Struct(dict.fromkeys(columns, pl.String))).struct.unnest()
    typed = values.select(read_back(name, column.dtype.type) for name, column in columns.items())
    attributes = pl.when(pl.col("attributes") != "null").then("attributes")
    logged = found.select(*LOGGED[:-1], attributes).with_columns(
        pl.col("received_at").dt.convert_time_zone("UTC").cast(UTC_US)
    )
    return pl.concat([logged, typed], how="horizontal")


def read_back(name: str, dtype: pl.DataType) -> pl.Expr:
    """One column of canonical text in its type; text of ours that cannot be read is a bug, so it raises."""
    if isinstance(dtype, pl.Datetime):
        return pl.col(name).str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us", time_zone="UTC")
    return pl.col(name).cast(dtype)


def received(rows: Rows, kind: str) -> pl.DataFrame:
    """All rows of a kind, with the earliest receipt of each content."""
    table = rows.tables.get(kind)
    if table is None:
        texts = dict.fromkeys((*LOGGED, "v"), pl.String)
        return decode(pl.DataFrame(schema={**texts, "seq": pl.Int64, "row": pl.Int64, "received_at": UTC_US}), kind)
    if rows.earlier is None or rows.earlier.is_empty():
        return table
    joined = table.join(rows.earlier, on="content_key", how="left", maintain_order="left")
    first = pl.min_horizontal("received_at", pl.col("earlier_at").dt.convert_time_zone("UTC").cast(UTC_US))
    return joined.with_columns(received_at=first).drop("earlier_at")


def states(rows: Rows, kind: str, at: datetime, gone: pl.DataFrame | None = None) -> pl.DataFrame:
    """The latest state of every key received by `at`, ordered by key; rows in `gone` (`file`, `row`) do not count."""
    seen = all_states(rows, kind, at, gone)
    return seen.sort("key", "received_at", "content_hash", "content_key").group_by("key", maintain_order=True).last()


def all_states(rows: Rows, kind: str, at: datetime, gone: pl.DataFrame | None = None) -> pl.DataFrame:
    """Every state received by `at`, the earlier ones of each key too; rows in `gone` do not count."""
    seen = received(rows, kind).filter(pl.col("received_at") <= at)
    if gone is not None and gone.height and kind != "entries":
        seen = seen.join(gone, on=["file", "row"], how="anti", maintain_order="left")
    return seen


def rows_taken_back(entries: pl.DataFrame) -> pl.DataFrame:
    """`file` and `row` of the entries that have been withdrawn: the rows that they said bear the same."""
    return entries.filter(pl.col("entry_id").is_in(list(withdrawn(entries)))).select("file", "row")


def known_at(rows: Rows, at: datetime) -> Known:
    """What was known at a time.

    Raises
    ------
    BookEmpty : if the county's facts had not been received by then.
    """
    county_rows = states(rows, "county", at).to_dicts()
    if not county_rows:
        raise BookEmpty(
            f"Nothing is known of the county at {at:%Y-%m-%d %H:%M} UTC. Take county.toml, or ask for a later time."
        )
    county = county_of(county_rows[0])
    entries = states(rows, "entries", at)
    gone = rows_taken_back(entries)
    tables = {kind: states(rows, kind, at, gone) for kind in FEEDS if kind not in ("county", "entries", "milestones")}
    tables |= {"tickets": with_states(tables["tickets"], entries), "entries": entries}
    tables["milestones"] = steps_at(rows, at, gone)
    tables["sites"] = with_hours(tables["sites"], "opens", "closes", county.election_day, county.zone)
    tables["rovers"] = with_hours(tables["rovers"], "on_shift", "off_shift", county.election_day, county.zone)
    tables["units"] = with_defaults(tables["units"])
    for kind, table in tables.items():
        tables[kind] = only_listed(table, kind, tables)
    settings = settings_at(rows, at, county_rows[0]["assumptions"])
    tables["status"] = correct_clocks(tables["status"], settings)
    framed = {kind.replace("-", "_"): in_contract(table, kind) for kind, table in tables.items()}
    listed = {"outage_states": in_contract(all_states(rows, "outages", at, gone), "outages")}
    listed |= {"moves": moves_at(rows, at, gone)}
    words = vocabulary_at(rows, at)
    return Known(at=at, county=county, settings=settings, vocabulary=words, **listed, **framed)  # type: ignore[arg-type]


def steps_at(rows: Rows, at: datetime, gone: pl.DataFrame) -> pl.DataFrame:
    """The latest state of every step, and of each time that one of `VOTING_STEPS` came again, ordered by key.

    By the key alone a day's second suspension would wipe out its first. So a site's steps are read in the order of
    their own times: the same step twice running is one that was corrected, with another between them it came again.
    """
    seen = all_states(rows, "milestones", at, gone)
    again = seen.filter(pl.col("milestone").is_in(VOTING_STEPS)).sort("site_id", "at", "milestone")
    is_other = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in ("site_id", "milestone"))
    parts = [again.with_columns(turn=is_other.cum_sum()), seen.join(again, on="seq", how="anti")]
    ordered = pl.concat(parts, how="diagonal").sort(
        "key", "turn", "received_at", "content_hash", "content_key", nulls_last=True
    )
    return ordered.group_by("key", "turn", maintain_order=True).last().drop("turn")


def moves_at(rows: Rows, at: datetime, gone: pl.DataFrame) -> pl.DataFrame:
    """The stays of every unit that the roster has moved by `at`: `known.MOVES`."""
    seen = all_states(rows, "units", at, gone)
    stays = seen.sort("key", "received_at", "content_hash", "content_key").filter(
        (pl.col("unit_id") != pl.col("unit_id").shift()).fill_null(True)
        | pl.col("site_id").ne_missing(pl.col("site_id").shift())
    )
    moved = stays.filter(pl.len().over("unit_id") > 1)
    return moved.select("unit_id", "site_id", from_at="received_at")


def in_contract(table: pl.DataFrame, kind: str) -> pl.DataFrame:
    """The columns of the kind's normalised table, and no others."""
    return table.select(list(empty(TABLES[kind]).columns))


def only_listed(table: pl.DataFrame, kind: str, tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Rows whose ids a roster lists by now."""
    for name, column in schema_of(kind).columns.items():
        roster = (column.metadata or {}).get("roster")
        if roster:
            table = table.filter(pl.col(name).is_in(tables[roster]["key"].implode()))
    return table


def with_hours(table: pl.DataFrame, start: str, end: str, day: date, zone: str) -> pl.DataFrame:
    """Local hours as moments; an end that does not come after the start is the next day's."""
    hours = table.select(start, end).unique(maintain_order=True)  # most of a roster has the same ones
    starts = [local_time(day, clock, zone) for clock in hours[start]]
    ends = [local_time(day, clock, zone, after=s) for clock, s in zip(hours[end], starts, strict=True)]
    moments = hours.with_columns(
        pl.Series(f"{start}_at", starts, dtype=UTC_US), pl.Series(f"{end}_at", ends, dtype=UTC_US)
    )
    return table.join(moments, on=[start, end], how="left", nulls_equal=True, maintain_order="left")


def with_defaults(units: pl.DataFrame) -> pl.DataFrame:
    """The contract's defaults where the roster is silent."""
    filled = [pl.col(name).fill_null(value) for name, value in DEFAULTS.items()]
    role = pl.when(pl.col("site_id").is_null()).then(pl.lit("spare")).otherwise(pl.lit("deployed"))
    return units.with_columns(*filled, role=pl.coalesce("role", role))


def settings_at(rows: Rows, at: datetime, assumptions: str) -> Settings:
    """The assumptions in force: the book's as logged by then (at least its first), the county's over them."""
    known = [text for received_at, text in rows.settings if received_at <= at] or [
        text for _, text in rows.settings[:1]
    ]
    own = read_settings(known[-1], "settings.toml") if known else {}
    return Settings(own | flatten(json.loads(assumptions), "county.toml"))


def vocabulary_at(rows: Rows, at: datetime) -> str:
    """The county's own words in force, as the text of its vocabulary.toml; empty where it has none."""
    return ([text for since, text in rows.vocabularies if since <= at] or [""])[-1]


def zone_of(con: duckdb.DuckDBPyConnection) -> str | None:
    """The county's zone as last received, None while unknown."""
    found = con.sql(
        "select json_extract_string(body, '$.values.zone') from log where type = 'row' and kind = 'county' "
        "order by received_at desc, content_hash desc limit 1"
    ).fetchall()
    return found[0][0] if found else None


def settings_logged(con: duckdb.DuckDBPyConnection) -> list[tuple[datetime, str]]:
    """The texts of settings.toml that have been in force, each with the time from which it counts."""
    return con.sql(
        "select received_at, json_extract_string(body, '$.text') from log where type = 'settings' order by seq"
    ).fetchall()


def vocabularies_logged(con: duckdb.DuckDBPyConnection) -> list[tuple[datetime, str]]:
    """The texts of vocabulary.toml, each with the time from which it counts; one that a book began with always did."""
    found = con.sql(
        "select received_at, json_extract_string(body, '$.text'), seq from log where type = 'vocabulary' order by seq"
    ).fetchall()
    return [(EVER if seq < AT_START else since, text) for since, text, seq in found]


def substance(con: duckdb.DuckDBPyConnection) -> int:
    """The number of entries other than receipts of files: while it stands still, so do the estimates at one time."""
    return int(con.sql("select count(*) from log where type <> 'file'").fetchall()[0][0])


def newest_receipt(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """The latest receipt of any row, None in an empty book."""
    newest = con.sql("select max(received_at) from log where type in ('row', 'quarantine')").fetchall()[0][0]
    return None if newest is None else newest.astimezone(UTC)


def receipts_at(con: duckdb.DuckDBPyConnection, at: datetime) -> pl.DataFrame:
    """One row a file taken and received by `at`: its name, kind, times and counts."""
    rows = con.sql(
        "select key, kind, received_at, body from log where type = 'file' and received_at <= $at "
        "order by received_at, key",
        params={"at": at},
    ).fetchall()
    records = []
    for key, kind, received_at, body in rows:
        entry = json.loads(body)
        records.append(
            {
                "file": key,
                "kind": kind or None,
                "received_at": received_at,
                **entry["counts"],
                "refused": entry["refused"],
            }
        )
    counts = dict.fromkeys(("read", "accepted", "already_known", "superseded", "quarantined"), pl.Int64)
    schema: dict[str, Any] = {
        "file": pl.String,
        "kind": pl.String,
        "received_at": UTC_US,
        **counts,
        "refused": pl.String,
    }
    return pl.DataFrame(records, schema=schema, orient="row")


def intake_by_kind(con: duckdb.DuckDBPyConnection, at: datetime) -> dict[str, dict[str, int]]:
    """Rows by outcome for each kind, of the files received by `at`."""
    receipts = receipts_at(con, at).with_columns(pl.col("kind").fill_null("not known"))
    outcomes = ("read", "accepted", "already_known", "superseded", "quarantined")
    sums = receipts.group_by("kind").agg(pl.col(outcomes).sum()).sort("kind")
    return {row.pop("kind"): row for row in sums.to_dicts()}


class Snapshot:
    """The published state of a book, as one reader sees it: open, read, close."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            raise BookEmpty(f"{path}: nothing has been published. Take files into the book first.")
        self.con = connect(path, read_only=True)

    def __enter__(self) -> "Snapshot":
        return self

    def __exit__(self, *_: object) -> None:
        self.con.close()

    def meta(self) -> dict[str, Any]:
        """What was published: `version` (entries in the log), `published_at`, `at`, `lines_at` and `rest_at`.

        `at` is the time that the tickets answer for, None without estimates; `lines_at` the time of the lines that all
        stand on, and `rest_at` that of everything else: earlier while those of `at` are still being worked out.
        """
        row = self.con.sql("select * from published").pl().to_dicts()[0]
        at = row["answers_at"]
        return {
            "version": row["version"],
            "published_at": row["published_at"],
            "at": at,
            "lines_at": row.get("lines_at") or at,  # a snapshot of an older version does not say these
            "rest_at": row.get("rest_at") or at,
        }

    def failed(self) -> dict[str, str]:
        """WHAT → why it could not be estimated when this was published."""
        return dict(self.con.sql("select what, reason from failed").fetchall())

    def estimate(self, what: str) -> pl.DataFrame | None:
        """An estimate as published, None where it was not."""
        name = f"estimate_{what}"
        if not self.con.sql("select 1 from duckdb_tables() where table_name = $name", params={"name": name}).fetchall():
            return None
        return self.con.sql(f"select * from {name}").pl()


def unplaced(con: duckdb.DuckDBPyConnection) -> list[tuple[Original, datetime]]:
    """Files taken before the county's zone was known, of the kinds in which local times could not be placed; receipts.

    All of such a kind, as a row that had waited already counted as known in a file that came after: read again, each
    row gets the earliest of its receipts.
    """
    found = con.sql(
        "select distinct key, file, kind, received_at, json_extract(body, '$.profile')::varchar from log "
        "where type = 'file' and file <> '' and json_extract_string(body, '$.refused') is null and kind in "
        "(select kind from log where type = 'quarantine' and json_extract_string(body, '$.code') = 'no-zone') "
        "and seq < (select min(seq) from log where type = 'row' and kind = 'county') order by received_at, key"
    ).fetchall()
    return [
        (Original(sha, name, kind, profile_logged(profile)), received_at.astimezone(UTC))
        for name, sha, kind, received_at, profile in found
    ]
