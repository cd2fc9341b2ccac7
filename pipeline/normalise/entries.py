"""Good rows → the text that the log keeps: canonical values, names replaced by tokens, free text masked, content keys.

Two hashes tell contents apart. `content_key` covers everything as it came, names included, and is keyed with the
book's secret. `content_hash` covers what the log itself holds without the tokens: any two books agree on it, so ties
between states fall the same way everywhere.
"""

import hmac
import json
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from hashlib import sha256
from typing import Any

import polars as pl
import rfc8785

from pipeline.contracts.feeds import KEYS, OCCURRED, schema_of
from pipeline.contracts.moments import rfc3339
from pipeline.normalise.entered import without_people
from pipeline.normalise.privacy import is_of_people, mask_texts
from pipeline.normalise.shape import CODE_BAD, CODE_NO_ZONE, Shaped
from pipeline.sources.tables import Fault, short

Tokens = Callable[[Iterable[str | None]], list[str | None]]
SAID = ("site", "unit")  # columns that name a place or a unit
UNREAD = 24  # characters shown of a row that cannot be told apart, where its kind holds names: our choice
TIME_TEXT = "%Y-%m-%dT%H:%M:%S%.fZ"
ENTRY_COLUMNS = ("type", "kind", "key", "content_key", "content_hash", "file", "row", "received_at", "body")


def columns_marked(kind: str, mark: str) -> list[str]:
    """The columns of a kind whose metadata carry a mark."""
    return [name for name, column in schema_of(kind).columns.items() if (column.metadata or {}).get(mark)]


def as_text(good: pl.DataFrame) -> pl.DataFrame:
    """Every value as the text that stands for it: times in UTC, numbers in their shortest form."""
    return good.select(
        pl.col(name).dt.strftime(TIME_TEXT) if isinstance(dtype, pl.Datetime) else pl.col(name).cast(pl.String)
        for name, dtype in good.schema.items()
    )


def canonical(frame: pl.DataFrame) -> list[str]:
    """Each row as JSON with ordered keys."""
    names = sorted(frame.columns, key=lambda n: n.encode("utf-16-be"))
    return frame.select(pl.struct(names).struct.json_encode()).to_series().to_list()


def keyed_digests(secret: bytes, prefix: str, texts: Sequence[str]) -> list[str]:
    """HMAC-SHA-256 of each text under the book's secret, hex."""
    digest, lead = hmac.digest, f"{prefix}\x1f"
    return [digest(secret, (lead + text).encode(), "sha256").hex() for text in texts]


def content(
    shaped: Shaped, kind: str, received: Sequence[datetime], secret: bytes, tokens: Tokens, zone: str | None
) -> pl.DataFrame:
    """The good rows as the log will hold them.

    Returns
    -------
    frame of `file` (place), `row`, `received_at`, `key`, `content_key`, `content_hash`, `occurred_at` (text), and the
    values as `v_NAME`, the unmapped columns as `a_NAME`
    """
    good = shaped.good
    columns = list(schema_of(kind).columns)
    raw = as_text(good.select(*columns, *shaped.extra))
    of_people = [name for name in shaped.extra if is_of_people(name)]
    personal = [*columns_marked(kind, "personal"), *of_people]
    masked = [*columns_marked(kind, "masked"), *(name for name in shaped.extra if name not in of_people)]
    names = joined_names(raw, personal)
    shown = raw
    if kind == "entries":  # its values may say a row of another feed, whose people are left out too
        pairs = [without_people(*pair) for pair in raw.select("values", "action").iter_rows()]
        shown = raw.with_columns(pl.Series("values", [values for values, _ in pairs], dtype=pl.String))
        names = ["; ".join(filter(None, (own, more))) or None for own, (_, more) in zip(names, pairs, strict=True)]
    # A caller may be called like the place: what names a place or a unit is not searched for the row's own names.
    nobody: list[str | None] = [None] * raw.height
    values = raw.with_columns(
        *[pl.Series(name, tokens(raw[name]), dtype=pl.String) for name in personal],
        *[
            pl.Series(name, masked_once(shown[name].to_list(), nobody if name in SAID else names), dtype=pl.String)
            for name in masked
        ],
    )
    received_at = gathered("received_at", received, good["file"], pl.Datetime("us", "UTC"))
    whole = canonical(raw)
    public = whole if not personal and not masked else canonical(values.drop(personal))
    occurred = OCCURRED.get(kind)
    return pl.DataFrame(
        [
            good["file"],
            good["row"],
            received_at,
            pl.Series("key", natural_keys(raw, kind, received_at, secret, zone), dtype=pl.String),
            pl.Series("content_key", keyed_digests(secret, f"content\x1f{kind}", whole), dtype=pl.String),
            pl.Series("content_hash", [sha256(f"{kind}\x1f{t}".encode()).hexdigest() for t in public], dtype=pl.String),
            (values[occurred] if occurred else received_at.dt.strftime(TIME_TEXT)).alias("occurred_at"),
            *[values[name].alias(f"v_{name}") for name in columns],
            *[values[name].alias(f"a_{name}") for name in shaped.extra],
        ]
    )


def masked_once(texts: list[str | None], names: list[str | None]) -> list[str | None]:
    """Each text masked; one that comes again with the same names is not read again."""
    pairs = list(zip(texts, names, strict=True))
    once = list(dict.fromkeys(pairs))
    found = dict(zip(once, mask_texts([text for text, _ in once], [name for _, name in once]), strict=True))
    return [found[pair] for pair in pairs]


def gathered(name: str, of_files: Sequence[Any], files: pl.Series, dtype: pl.DataType) -> pl.Series:
    """What is the same for all rows of a file, row by row."""
    return pl.Series(name, of_files, dtype=dtype).gather(files) if len(of_files) else pl.Series(name, [], dtype=dtype)


def joined_names(raw: pl.DataFrame, personal: list[str]) -> list[str | None]:
    """The names that a row itself carries, so that they can be masked in its text."""
    if not personal:
        return [None] * raw.height
    return raw.select(pl.concat_str(personal, separator="; ", ignore_nulls=True)).to_series().to_list()


def natural_keys(raw: pl.DataFrame, kind: str, received_at: pl.Series, secret: bytes, zone: str | None) -> list[str]:
    """The contract's key of each row, as text."""
    if kind == "power-notes":
        days = received_at.dt.convert_time_zone(zone or "UTC").dt.date().cast(pl.String)
        return keyed_digests(secret, "note", [f"{day}\x1f{text}" for day, text in zip(days, raw["text"], strict=True)])
    if not KEYS[kind]:
        return [kind] * raw.height
    return (
        raw.select(pl.concat_str([pl.col(c).fill_null("") for c in KEYS[kind]], separator=" | ")).to_series().to_list()
    )


def quarantined(
    shaped: Shaped, kind: str, received: Sequence[datetime], shas: Sequence[str], secret: bytes, tokens: Tokens
) -> pl.DataFrame:
    """The rows that failed, as entries: values masked, every reason with its column."""
    found = []
    texts = {(row["file"], row["row"]): row for row in bad_rows(shaped)}
    for file, faults in enumerate(shaped.faults):
        by_row: dict[int, list[Fault]] = {}
        for fault in faults:
            by_row.setdefault(fault.row, []).append(fault)
        for row, reasons in sorted(by_row.items()):
            raw = texts.get((file, row), {})
            values = {name: value for name, value in raw.items() if name not in ("file", "row") and value is not None}
            found.append(quarantine_entry(kind, shas[file], row, received[file], values, reasons, secret, tokens))
    schema: dict[str, Any] = {name: pl.Int64 if name == "row" else pl.String for name in ENTRY_COLUMNS} | {
        "received_at": pl.Datetime("us", "UTC"),
        "reasons": pl.String,
        "place": pl.Int32,
    }
    places = {sha: place for place, sha in enumerate(shas)}
    return pl.DataFrame([entry | {"place": places[entry["file"]]} for entry in found], schema=schema, orient="row")


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
    entry: dict[str, Any] = {
        "type": "quarantine",
        "kind": kind,
        "key": "",
        "content_key": keyed_digests(secret, f"quarantine\x1f{kind}\x1f{code}", [raw])[0],
        "content_hash": sha256(rfc8785.dumps([kind, {k: v for k, v in safe.items() if k not in personal}])).hexdigest(),
        "file": sha,
        "row": row,
    }
    body: dict[str, Any] = entry | {
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


def plain_entry(kind: str, type_: str, key: str, received_at: datetime, **more: object) -> dict[str, Any]:
    """An entry that is no row of a feed: a file's receipt, an earlier receipt, the settings in force."""
    index = {
        "type": type_,
        "kind": kind,
        "key": key,
        "content_key": str(more.pop("content_key", "")),
        "content_hash": "",
        "file": str(more.pop("file", "")),
        "row": None,
    }
    body = rfc8785.dumps(json.loads(json.dumps(index | {"received_at": rfc3339(received_at)} | more))).decode()
    return index | {"received_at": received_at, "body": body}


def entry_frame(entries: Iterable[dict[str, Any]]) -> pl.DataFrame:
    """Plain entries as a frame that the log takes."""
    schema: dict[str, Any] = {name: pl.Int64 if name == "row" else pl.String for name in ENTRY_COLUMNS} | {
        "received_at": pl.Datetime("us", "UTC")
    }
    return pl.DataFrame(list(entries), schema=schema, orient="row")
