"""Good rows → the text that the log keeps: canonical values, names replaced by tokens, free text masked, content keys.

Two hashes tell contents apart. `content_key` covers everything as it came, names included, and is keyed with the
book's secret. `content_hash` covers what the log itself holds without the tokens: any two books agree on it, so ties
between states fall the same way everywhere.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from itertools import groupby
from typing import Any

import polars as pl
import rfc8785

from pipeline.contracts.feeds import KEYS, OCCURRED, schema_of
from pipeline.contracts.moments import rfc3339
from pipeline.normalise.canonical import DIGEST_BYTES, digests, joined, keyed_digests, members, objects, ordered
from pipeline.normalise.entered import without_people
from pipeline.normalise.masking import mask_column
from pipeline.normalise.privacy import is_of_people, mask_texts
from pipeline.normalise.shape import CODE_BAD, CODE_NO_ZONE, Shaped
from pipeline.normalise.times import written_times
from pipeline.sources.tables import Fault, short

Tokens = Callable[[Iterable[str | None]], list[str | None]]
SAID = ("site", "unit")  # columns that name a place or a unit
UNREAD = 24  # characters shown of a row that cannot be told apart, where its kind holds names: our choice
ENTRY_COLUMNS = ("type", "kind", "key", "content_key", "content_hash", "file", "row", "received_at", "body")
ENTRY: dict[str, Any] = dict.fromkeys(ENTRY_COLUMNS, pl.String) | {
    "content_key": pl.Binary,
    "content_hash": pl.Binary,
    "row": pl.Int64,
    "received_at": pl.Datetime("us", "UTC"),
}
QUARANTINED: dict[str, Any] = ENTRY | {"reasons": pl.String, "place": pl.Int32}
SLICE = 30_720  # rows taken at a time, a quarter of a row group of DuckDB: bounds memory; our choice


def columns_marked(kind: str, mark: str) -> list[str]:
    """The columns of a kind whose metadata carry a mark."""
    return [name for name, column in schema_of(kind).columns.items() if (column.metadata or {}).get(mark)]


def as_text(good: pl.DataFrame) -> pl.DataFrame:
    """Every value as the text that stands for it: times in UTC, numbers in their shortest form."""
    return good.select(
        written_times(good[name]) if isinstance(dtype, pl.Datetime) else pl.col(name).cast(pl.String)
        for name, dtype in good.schema.items()
    )


def content(
    shaped: Shaped,
    kind: str,
    received: Sequence[datetime],
    secret: bytes,
    tokens: Tokens,
    zone: str | None,
    wanted: Sequence[str] | None = None,
) -> pl.DataFrame:
    """The good rows as the log will hold them; only the columns `wanted`, if given, to save memory.

    Returns
    -------
    frame of `file` (place), `row`, `received_at`, `key`, `content_key`, `content_hash`, `occurred_at` (text), the
    values as `v_NAME`, the unmapped columns as `a_NAME`, and both as JSON: `values`, `attributes` (null without any)
    """
    parts = shaped.good.iter_slices(SLICE) if shaped.good.height else [shaped.good]

    def made(part: pl.DataFrame) -> pl.DataFrame:
        found = content_of(part, shaped.extra, kind, received, secret, tokens, zone)
        return found.select(wanted or found.columns)

    with ThreadPoolExecutor(2) as both:  # polars works on one part while the digests of the other are made
        return pl.concat(both.map(made, parts), rechunk=False)


def content_of(
    good: pl.DataFrame,
    extra: Sequence[str],
    kind: str,
    received: Sequence[datetime],
    secret: bytes,
    tokens: Tokens,
    zone: str | None,
) -> pl.DataFrame:
    """As `content`, for some of the rows."""
    columns = list(schema_of(kind).columns)
    raw = as_text(good.select(*columns, *extra))
    personal = [*columns_marked(kind, "personal"), *(name for name in extra if is_of_people(name))]
    masked = [*columns_marked(kind, "masked"), *(name for name in extra if name not in personal)]
    kept = without_people_in(raw, kind, personal, masked, tokens)
    received_at = gathered("received_at", received, good["file"], pl.Datetime("us", "UTC"))
    lead = f"{kind}\x1f"
    if personal or masked:
        told = Told(raw, kept, extra, personal)
        values, attributes = told.values(), told.attributes()
        content_hash = digests(lead, told.public())
        content_key = keyed_digests(secret, f"content\x1f{lead}", told.whole())
    else:  # the log shows every word of it, so there is nothing to be guessed, and one digest does for both
        values, attributes = objects(kept), pl.Series([None], dtype=pl.String).new_from_index(0, kept.height)
        content_hash = content_key = digests(lead, values)
    occurred = OCCURRED.get(kind)
    return pl.DataFrame(
        [
            good["file"],
            good["row"],
            received_at,
            natural_keys(raw, kind, received_at, secret, zone).alias("key"),
            content_key.alias("content_key"),
            content_hash.alias("content_hash"),
            (kept[occurred] if occurred else written_times(received_at)).alias("occurred_at"),
            *[kept[name].alias(f"v_{name}") for name in columns],
            *[kept[name].alias(f"a_{name}") for name in extra],
            values.alias("values"),
            attributes.alias("attributes"),
        ]
    )


def without_people_in(
    raw: pl.DataFrame, kind: str, personal: list[str], masked: list[str], tokens: Tokens
) -> pl.DataFrame:
    """The rows with tokens for names, and free text masked."""
    names = pl.Series([None], dtype=pl.String).new_from_index(0, raw.height)
    nobody, shown = names, raw
    if personal:
        names = raw.select(pl.concat_str(personal, separator="; ", ignore_nulls=True)).to_series()
    if kind == "entries":  # its values may say a row of another feed, whose people are left out too
        pairs = [without_people(*pair) for pair in raw.select("values", "action").iter_rows()]
        shown = raw.with_columns(pl.Series("values", [values for values, _ in pairs], dtype=pl.String))
        both = ["; ".join(filter(None, (own, more))) or None for own, (_, more) in zip(names, pairs, strict=True)]
        names = pl.Series(both, dtype=pl.String)
    # A caller may be called like the place: what names a place or a unit is not searched for the row's own names.
    return raw.with_columns(
        *[token_column(raw[name], tokens).alias(name) for name in personal],
        *[mask_column(shown[name], nobody if name in SAID else names).alias(name) for name in masked],
    )


def token_column(names: pl.Series, tokens: Tokens) -> pl.Series:
    """A token for each name; each name is asked for once."""
    once = names.drop_nulls().unique(maintain_order=True)
    known = pl.DataFrame({"name": once, "token": pl.Series(tokens(once), dtype=pl.String)})
    return names.to_frame("name").join(known, on="name", how="left", maintain_order="left")["token"]


@dataclass(frozen=True)
class Stretch:
    """Columns that stand side by side in the canonical order, as JSON: as they came, and as the log holds them."""

    is_personal: bool
    is_extra: bool
    came: pl.Series
    kept: pl.Series


class Told:
    """Rows as JSON objects: as they came, and as the log holds them. An unmapped column that is empty says nothing.

    What several of the objects share is written once.
    """

    def __init__(self, raw: pl.DataFrame, kept: pl.DataFrame, extra: Sequence[str], personal: Sequence[str]) -> None:
        def alike(name: str) -> tuple[bool, bool, bool, str]:
            has_gaps = name in extra and raw[name].null_count() > 0
            return name in personal, name in extra, kept[name].equals(raw[name]), name if has_gaps else ""

        self._stretches = []
        for (is_personal, is_extra, is_same, gap), names in groupby(ordered(raw.columns), key=alike):
            some = list(names)
            ours = members([kept[name] for name in some], omits_null=bool(gap))
            theirs = ours if is_same else members([raw[name] for name in some], omits_null=bool(gap))
            self._stretches.append(Stretch(is_personal, is_extra, theirs, ours))

    def whole(self) -> pl.Series:
        """The rows as they came."""
        return joined(stretch.came for stretch in self._stretches)

    def public(self) -> pl.Series:
        """The rows as the log holds them, without their tokens."""
        return joined(stretch.kept for stretch in self._stretches if not stretch.is_personal)

    def values(self) -> pl.Series:
        """The columns of the kind, as the log holds them."""
        return joined(stretch.kept for stretch in self._stretches if not stretch.is_extra)

    def attributes(self) -> pl.Series:
        """The columns that nobody mapped, as the log holds them; null without any."""
        extra = [stretch.kept for stretch in self._stretches if stretch.is_extra]
        if not extra:
            return pl.Series([None], dtype=pl.String).new_from_index(0, self._stretches[0].kept.len())
        found = joined(extra)
        return found.to_frame("found").select(pl.when(pl.col("found") != "{}").then("found")).to_series()


def gathered(name: str, of_files: Sequence[Any], files: pl.Series, dtype: pl.DataType) -> pl.Series:
    """What is the same for all rows of a file, row by row."""
    return pl.Series(name, of_files, dtype=dtype).gather(files) if len(of_files) else pl.Series(name, [], dtype=dtype)


def natural_keys(raw: pl.DataFrame, kind: str, received_at: pl.Series, secret: bytes, zone: str | None) -> pl.Series:
    """The contract's key of each row, as text."""
    if kind == "power-notes":
        days = received_at.dt.convert_time_zone(zone or "UTC").dt.date().cast(pl.String)
        told = raw.select(pl.concat_str(days, pl.lit("\x1f"), "text")).to_series()
        return keyed_digests(secret, "note\x1f", told).bin.encode("hex")
    if not KEYS[kind]:
        return pl.Series([kind]).new_from_index(0, raw.height)
    return raw.select(pl.concat_str([pl.col(c).fill_null("") for c in KEYS[kind]], separator=" | ")).to_series()


def quarantined(
    shaped: Shaped, kind: str, received: Sequence[datetime], shas: Sequence[str], secret: bytes, tokens: Tokens
) -> pl.DataFrame:
    """The rows that failed, as entries: values masked, every reason with its column."""
    found = []
    if not any(shaped.faults):
        return pl.DataFrame(schema=QUARANTINED)
    texts = {(row["file"], row["row"]): row for row in bad_rows(shaped)}
    for file, faults in enumerate(shaped.faults):
        by_row: dict[int, list[Fault]] = {}
        for fault in faults:
            by_row.setdefault(fault.row, []).append(fault)
        for row, reasons in sorted(by_row.items()):
            raw = texts.get((file, row), {})
            values = {name: value for name, value in raw.items() if name not in ("file", "row") and value is not None}
            found.append(quarantine_entry(kind, shas[file], row, received[file], values, reasons, secret, tokens))
    places = {sha: place for place, sha in enumerate(shas)}
    return pl.DataFrame([entry | {"place": places[entry["file"]]} for entry in found], schema=QUARANTINED, orient="row")


def bad_rows(shaped: Shaped) -> list[dict[str, Any]]:
    """The rows that have a fault, as they came."""
    keys = [(file, fault.row) for file, faults in enumerate(shaped.faults) for fault in faults]
    wanted = pl.DataFrame(keys, schema={"file": pl.Int32, "row": pl.Int64}, orient="row").unique()
    return shaped.texts.join(wanted, on=["file", "row"], how="semi").to_dicts()


def quarantine_entry(
    kind: str,
    sha: str,
    row: int,
    received_at: datetime,
    values: dict[str, str],
    faults: list[Fault],
    secret: bytes,
    tokens: Tokens,
) -> dict[str, Any]:
    """One row in quarantine, as an entry of the log."""
    raw = rfc8785.dumps(values or {"line": faults[0].value}).decode()
    personal = [*columns_marked(kind, "personal"), *(name for name in values if is_of_people(name))]
    names = "; ".join(values[name] for name in personal if name in values) or None
    safe = {name: tokens([value])[0] if name in personal else masked(value, names) for name, value in values.items()}
    reasons = [
        {
            "column": fault.column,
            "value": shown(fault, personal, names),
            "reason": fault.reason,
        }
        for fault in faults
    ]
    # A row that waits for the county's zone is judged again once it is known, and may then have other faults.
    code = CODE_NO_ZONE if any(f.code == CODE_NO_ZONE for f in faults) else CODE_BAD
    public = rfc8785.dumps([kind, {k: v for k, v in safe.items() if k not in personal}])
    entry: dict[str, Any] = {
        "type": "quarantine",
        "kind": kind,
        "key": "",
        "content_key": keyed_digests(secret, f"quarantine\x1f{kind}\x1f{code}\x1f", pl.Series([raw]))[0],
        "content_hash": sha256(public).digest()[:DIGEST_BYTES],
        "file": sha,
        "row": row,
    }
    body: dict[str, Any] = shown_bytes(entry) | {
        "received_at": rfc3339(received_at),
        "values": safe,
        "reasons": reasons,
        "code": code,
    }
    return entry | {"received_at": received_at, "body": rfc8785.dumps(body).decode(), "reasons": json.dumps(reasons)}


def shown(fault: Fault, personal: list[str], names: str | None) -> str | None:
    """The value of a fault as the log and a receipt may show it."""
    if fault.value is None:
        return None
    if fault.column in personal:
        return "[name]"
    if fault.column is None and personal and len(fault.value) > UNREAD:
        # Nobody can tell which part of a row that does not come apart is a name; its start is enough to find it.
        return (masked(fault.value[:UNREAD], names) or "") + "…"
    return masked(fault.value, names)


def masked(value: str | None, names: str | None) -> str | None:
    """A value for a message or a log line: masked, and cut."""
    return None if value is None else short(mask_texts([value], [names])[0] or "")


def shown_bytes(entry: dict[str, Any]) -> dict[str, Any]:
    """An entry's index as its canonical form says it: digests in hex."""
    return {name: value.hex() if isinstance(value, bytes) else value for name, value in entry.items()}


def plain_entry(
    kind: str, type_: str, key: str, received_at: datetime, *, content_key: bytes = b"", file: str = "", **more: object
) -> dict[str, Any]:
    """An entry that is no row of a feed: a file's receipt, an earlier receipt, the settings in force."""
    index = {
        "type": type_,
        "kind": kind,
        "key": key,
        "content_key": content_key,
        "content_hash": b"",
        "file": file,
        "row": None,
    }
    told = shown_bytes(index) | {"received_at": rfc3339(received_at)} | more
    body = rfc8785.dumps(json.loads(json.dumps(told))).decode()
    return index | {"received_at": received_at, "body": body}


def entry_frame(entries: Iterable[dict[str, Any]]) -> pl.DataFrame:
    """Plain entries as a frame that the log takes."""
    return pl.DataFrame(list(entries), schema=ENTRY, orient="row")
