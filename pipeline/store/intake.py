"""Files of one kind → entries of the log: what is new, what is known, what changed, what is in quarantine."""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from itertools import chain
from typing import Any

import polars as pl

from pipeline.contracts.feeds import schema_of
from pipeline.normalise import entries
from pipeline.normalise.canonical import envelopes
from pipeline.normalise.county import county_faults
from pipeline.normalise.shape import Piece, shape
from pipeline.normalise.times import UTC_US, written_times
from pipeline.sources.tables import RawTable
from pipeline.store.log import Log
from pipeline.store.people import People

ENTERED = ("file", "row", "received_at", "key", "content_key", "content_hash", "occurred_at", "values", "attributes")


@dataclass
class Receipt:
    """What became of one file: read = accepted + already_known + superseded + quarantined."""

    file: str
    kind: str | None
    read: int = 0
    accepted: int = 0
    already_known: int = 0
    superseded: int = 0
    quarantined: int = 0
    reasons: list[dict[str, Any]] = field(default_factory=list)
    refused: str | None = None

    def adds_up(self) -> bool:
        """Whether every row read is accounted for."""
        return self.read == self.accepted + self.already_known + self.superseded + self.quarantined


@dataclass(frozen=True)
class Taken:
    """One file that was read: its name, hash, receipt and rows."""

    name: str
    sha: str
    piece: Piece


def take_kind(
    log: Log, people: People, secret: bytes, kind: str, files: list[Taken], zone: str | None, now: datetime
) -> list[Receipt]:
    """Logs the rows of files of one kind, in order of receipt.

    Parameters
    ----------
    log, people : the book's, open for writing
    secret : the key of the book's content keys
    files : the files, read
    zone : the county's IANA zone, None while unknown
    now : the time of taking [UTC]

    Returns
    -------
    a receipt per file, in the order given
    """
    order = sorted(range(len(files)), key=lambda i: (files[i].piece.received_at, files[i].name))
    files_in_order = [files[i] for i in order]
    shaped = shape([f.piece for f in files_in_order], kind, zone)
    if kind == "county":
        shaped = county_faults(shaped)
    received = [f.piece.received_at for f in files_in_order]
    shas = [f.sha for f in files_in_order]
    for file in files:
        file.piece.raw.columns = {}  # shaped by now; a second copy of a large file's rows would fill the memory
    wanted = [*ENTERED, *(f"v_{name}" for name in listed_in(kind))]
    bad = entries.quarantined(shaped, kind, received, shas, secret, people.tokens)
    shaped = replace(shaped, texts=shaped.texts.clear())  # the good rows' own texts are of no more use, and large
    rows = entries.content(shaped, kind, received, secret, people.tokens, zone, wanted)
    del shaped
    known = log.known_keys(kind, pl.concat([rows.select("content_key", "key"), bad.select("content_key", "key")]))
    rows = judged(rows, known)
    rows = unlisted(rows, kind, log)
    bad = bad.with_columns(
        is_known=pl.col("content_key").is_in(known["content_key"].implode())
        | ~pl.col("content_key").is_first_distinct()
    )
    # A receipt takes its file's rows out, which copies them.
    judgements = rows.select("file", "row", "is_known", "is_change", "unlisted", *(f"v_{n}" for n in listed_in(kind)))
    receipts = [receipt(f.name, kind, place, judgements, bad) for place, f in enumerate(files_in_order)]
    people.save()
    others = pl.concat(
        [
            bad.filter(~pl.col("is_known")).select(entries.ENTRY_COLUMNS),
            earlier_receipts(rows, bad, known, kind),
            entries.entry_frame(file_entry(f, r, now) for f, r in zip(files_in_order, receipts, strict=True)),
        ]
    )
    parts = list(unknown(rows).iter_slices(entries.SLICE))
    del rows, judgements, bad  # a part's memory is free again once it is logged
    made = (entry for _ in range(len(parts)) for entry in row_entries(parts.pop(0), kind, files_in_order))
    log.append_all(chain(made, [others]), now)
    return [receipts[order.index(i)] for i in range(len(files))]


def judged(rows: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Adds `is_known` (this content has been logged) and `is_change` (its key has been, with other content)."""
    keys = known.filter(pl.col("type") == "row")["key"]
    contents = rows["content_key"]
    is_known = contents.is_in(known["content_key"].implode()) | ~first_of_each(contents)
    rows = rows.with_columns(is_known.alias("is_known"))
    if not is_known.any():
        is_change = rows["key"].is_in(keys.implode()) | ~first_of_each(rows["key"])
        return rows.with_columns(is_change.alias("is_change"))
    places = (~is_known).arg_true()
    keyed = rows["key"].gather(places)
    changed = keyed.is_in(keys.implode()) | ~first_of_each(keyed)
    return rows.with_columns(is_change=(~is_known).scatter(places, changed))


def first_of_each(values: pl.Series) -> pl.Series:
    """Whether each value is the first of its like: told fast where all hashes differ, as then all values do."""
    if values.hash().n_unique() == values.len():
        return pl.Series([True], dtype=pl.Boolean).new_from_index(0, values.len())
    return values.is_first_distinct()


def unlisted(rows: pl.DataFrame, kind: str, log: Log) -> pl.DataFrame:
    """Adds `unlisted`: the column whose id no roster lists (null: all listed). Such rows wait for a roster."""
    found = pl.lit(None, dtype=pl.String)
    for name, roster in listed_in(kind).items():
        ids = log.known_keys(roster).filter(pl.col("type") == "row")["key"]
        found = pl.when(~pl.col(f"v_{name}").is_in(ids.implode())).then(pl.lit(name)).otherwise(found)
    return rows.with_columns(unlisted=found)


def listed_in(kind: str) -> dict[str, str]:
    """The columns of a kind that hold ids, and the roster that lists them."""
    marks = {name: (column.metadata or {}).get("roster") for name, column in schema_of(kind).columns.items()}
    return {name: roster for name, roster in marks.items() if roster}


def receipt(name: str, kind: str, place: int, rows: pl.DataFrame, bad: pl.DataFrame) -> Receipt:
    """The receipt of one file of the batch."""
    mine = rows.filter(pl.col("file") == place)
    failed = bad.filter(pl.col("place") == place)
    fresh = mine.filter(~pl.col("is_known"))
    waiting = fresh.filter(pl.col("unlisted").is_not_null())
    listed = fresh.filter(pl.col("unlisted").is_null())
    reasons = [
        {"row": row, **reason}
        for row, found in failed.filter(~pl.col("is_known")).select("row", "reasons").iter_rows()
        for reason in json.loads(found)
    ]
    for entry in waiting.to_dicts():
        column = entry["unlisted"]
        what = column.removesuffix("_id")
        reasons.append(
            {
                "row": entry["row"],
                "column": column,
                "value": entry[f"v_{column}"],
                "reason": f"no roster lists this {what}; the row waits in quarantine, and counts once a roster does",
            }
        )
    return Receipt(
        file=name,
        kind=kind,
        read=mine.height + failed.height,
        accepted=listed.filter(~pl.col("is_change")).height,
        superseded=listed.filter("is_change").height,
        already_known=mine.filter("is_known").height + failed.filter("is_known").height,
        quarantined=waiting.height + failed.filter(~pl.col("is_known")).height,
        reasons=sorted(reasons, key=lambda r: (r["row"], r["column"] or "")),
    )


def unknown(rows: pl.DataFrame) -> pl.DataFrame:
    """What an entry is made of, for the rows that are not logged yet."""
    fresh = rows.select(*ENTERED, "is_known").filter(~pl.col("is_known")) if rows["is_known"].any() else rows
    return fresh.select(ENTERED)


def row_entries(rows: pl.DataFrame, kind: str, files: list[Taken]) -> Iterator[pl.DataFrame]:
    """New rows as entries with their canonical form, some at a time."""
    received = written_times(pl.Series([f.piece.received_at for f in files], dtype=UTC_US))
    shas = [f.sha for f in files]
    for part in rows.iter_slices(entries.SLICE) if rows.height else ():
        index = part.with_columns(
            entries.gathered("file", shas, part["file"], pl.String()),
            type=pl.lit("row"),
            kind=pl.lit(kind),
            row=pl.col("row").cast(pl.Int64),
        )
        content_hash = content_key = part["content_hash"].bin.encode("hex")
        if not part["content_key"].equals(part["content_hash"]):
            content_key = part["content_key"].bin.encode("hex")
        told: dict[str, list[pl.Expr | str]] = {
            "type": ['"row"'],
            "kind": [f'"{kind}"'],
            "row": [pl.col("row").cast(pl.String)],
            "values": [pl.col("values")],
            "attributes": or_null(part["attributes"]),
            "occurred_at": or_null(part["occurred_at"], '"'),
            "content_key": ['"', pl.lit(content_key), '"'],
            "content_hash": ['"', pl.lit(content_hash), '"'],
        }
        first = part["file"][0]
        if (part["file"] == first).all():
            told |= {"file": [f'"{shas[first]}"'], "received_at": [f'"{received[first]}"']}
        else:
            told |= {"file": ['"', pl.col("file"), '"']}
            told |= {"received_at": ['"', pl.lit(received.gather(part["file"])), '"']}
        yield index.with_columns(body=envelopes(index, told, ["key"])).select(entries.ENTRY_COLUMNS)


def or_null(texts: pl.Series, mark: str = "") -> list[pl.Expr | str]:
    """Texts that need no escapes between marks, as JSON; null is `null`."""
    if not texts.null_count():
        return [mark, pl.lit(texts), mark]
    if texts.null_count() == texts.len():
        return ["null"]
    return [pl.concat_str(pl.lit(mark), pl.lit(texts), pl.lit(mark)).fill_null("null")]


def earlier_receipts(rows: pl.DataFrame, bad: pl.DataFrame, known: pl.DataFrame, kind: str) -> pl.DataFrame:
    """An entry for each known content that has now come with an earlier receipt."""
    if known.is_empty():
        return entries.entry_frame([])
    seen = pl.concat(
        [rows.select("content_key", "key", "received_at"), bad.select("content_key", "key", "received_at")]
    )
    first = seen.group_by("content_key").agg(pl.col("key").first(), pl.col("received_at").min())
    late = first.join(known.select("content_key", known_at="received_at"), on="content_key").filter(
        pl.col("received_at") < pl.col("known_at")
    )
    return entries.entry_frame(
        entries.plain_entry(kind, "earlier", key, received_at, content_key=content_key)
        for content_key, key, received_at in late.sort("content_key")
        .select("content_key", "key", "received_at")
        .iter_rows()
    )


def file_entry(file: Taken, receipt_: Receipt, now: datetime) -> dict[str, object]:
    """The receipt of a file, as an entry."""
    counts = {
        name: getattr(receipt_, name) for name in ("read", "accepted", "already_known", "superseded", "quarantined")
    }
    return entries.plain_entry(
        receipt_.kind or "",
        "file",
        file.name,
        file.piece.received_at,
        file=file.sha,
        taken_at=now.isoformat(),
        counts=counts,
        profile=None if file.piece.profile is None else asdict(file.piece.profile),
        refused=receipt_.refused,
    )


def refused_entry(
    name: str, kind: str | None, sha: str, received_at: datetime, reason: str, now: datetime
) -> dict[str, object]:
    """The receipt of a file that was refused whole, as an entry."""
    taken = Taken(name, sha, Piece(RawTable(), received_at))
    return file_entry(taken, Receipt(name, kind, refused=reason), now)
