"""The log: entries are only ever added; each keeps its canonical form (RFC 8785) and leaf hash (RFC 9162).

What is known is read back out of the canonical form alone, so that what the tree head covers is what is believed.
The other columns are an index; `verify` holds them against it.
"""

import json
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from hashlib import file_digest
from itertools import islice
from pathlib import Path

import duckdb
import polars as pl

from pipeline.contracts.moments import parse_time
from pipeline.errors import BookBroken, BookError
from pipeline.normalise.canonical import as_bytes
from pipeline.store import tree

INDEX = ("type", "kind", "key", "content_key", "content_hash", "file", "row", "received_at")
FORMAT = 2  # of the log; 1 kept digests as hex text: docs/decisions/010
SHARED = ("type", "kind", "file", "received_at")  # often the same for all rows of a batch
# Digests do not compress; texts do so best and fastest with Zstandard. DuckDB would try every way on each of them.
CREATE = """
create table if not exists log (
    seq bigint, type varchar, kind varchar, key varchar using compression zstd,
    content_key blob using compression uncompressed, content_hash blob using compression uncompressed, file varchar,
    "row" bigint, received_at timestamptz, body varchar using compression zstd, leaf blob using compression uncompressed
);
create table if not exists heads (size bigint, root varchar, peaks varchar, headed_at timestamptz);
"""
MEMORY = "256MB"  # for DuckDB while it writes: beyond it a batch goes to disk before it is committed; our choice
FOLD_EVERY = 16  # batches after which small row groups are made one; our choice
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "max_vacuum_tasks": "0",  # see `Log.checkpoint`
}
CHUNK = 50_000  # entries read at a time when verifying: bounds memory


def connect(path: Path, *, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    """A connection that never reaches for an extension over the network, nor writes row groups anew unasked."""
    try:
        con = duckdb.connect(str(path), read_only=read_only, config=CONFIG)
    except duckdb.IOException as error:
        raise BookError(
            f"{path}: not readable as a log ({str(error).splitlines()[0]}). Restore it from a copy."
        ) from error
    con.execute("set timezone = 'UTC'")
    return con


@dataclass(frozen=True)
class Head:
    """The tree head after `size` entries."""

    size: int
    root: bytes
    peaks: list[tree.Peak]


class Log:
    """The log of a book, open for writing."""

    def __init__(self, path: Path) -> None:
        self.con = connect(path)
        refuse_older(self.con, path)
        self.con.execute(f"set memory_limit = '{MEMORY}'")
        self.con.execute(CREATE)
        self.head = last_head(self.con)
        self._batches = self._folded = self.con.sql("select count(*) from heads").fetchall()[0][0]

    def append(self, entries: pl.DataFrame, at: datetime) -> Head:
        """Adds entries (`INDEX` columns and `body`) in the frame's order, and the tree head after them."""
        return self.append_all([entries], at)

    def append_all(self, parts: Iterable[pl.DataFrame], at: datetime) -> Head:
        """Adds entries part by part, all or none of them, and one tree head after the last.

        A part is made while the one before it is hashed and the one before that is written: polars and DuckDB leave
        Python's lock to the hashing.
        """
        size, peaks = self.head.size, self.head.peaks
        self.con.execute("set threads = 1")  # two would only share one part's work, and each piece it twice
        self.con.execute("begin")
        try:
            with ThreadPoolExecutor(1) as writer, closing(made_ahead(parts)) as made:
                written: Future[None] | None = None
                for part in made:
                    leaves = tree.leaf_hashes(as_bytes(part["body"]))
                    peaks = tree.grow(peaks, leaves)
                    batch = part.select(
                        pl.int_range(size, size + part.height).alias("seq"),
                        *INDEX,
                        "body",
                        pl.Series("leaf", leaves, dtype=pl.Binary),
                    )
                    size += part.height
                    if written:
                        written.result()
                    written = writer.submit(self._insert, batch)
                if written:
                    written.result()
            if size > self.head.size:
                head = Head(size, tree.root(peaks), peaks)
                self.con.execute(
                    "insert into heads values (?, ?, ?, ?)", [size, head.root.hex(), peaks_text(peaks), at]
                )
                self.con.execute("commit")
                self.head = head
                self._batches += 1
            else:
                self.con.execute("rollback")
        except BaseException:
            self.con.execute("rollback")
            raise
        finally:
            self.con.execute("reset threads")
        return self.head

    def checkpoint(self) -> None:
        """Brings all that is committed into the log's file.

        Every batch has row groups of its own. DuckDB would fold small ones at each checkpoint, and write up to 368,640
        rows anew for that; once in a while does.
        """
        if self._batches // FOLD_EVERY > self._folded // FOLD_EVERY:
            self.con.execute("reset max_vacuum_tasks")
        self.con.execute("checkpoint")
        self.con.execute("set max_vacuum_tasks = 0")
        self._folded = self._batches

    def _insert(self, batch: pl.DataFrame) -> None:
        # What is the same in every row is told to DuckDB once: it would read and compress it a row at a time.
        same = [n for n in SHARED if batch.height and batch[n].n_unique() == 1 and batch[n][0] is not None]
        fields = ", ".join(f"${name}" if name in same else f'"{name}"' for name in batch.columns)
        # DuckDB finds the rows by the variable's name. A view of them would hold their memory until the commit.
        # The newest form of Arrow keeps texts as polars does; an older one would copy them.
        rows = batch.drop(same).to_arrow(compat_level=pl.CompatLevel.newest())
        self.con.execute(f"insert into log select {fields} from rows", {name: batch[name][0] for name in same})
        del rows

    def known_keys(self, kind: str, asked: pl.DataFrame | None = None) -> pl.DataFrame:
        """What is logged of a kind: type, key, content_key and the earliest receipt of each content.

        Parameters
        ----------
        asked : `content_key` and `key`; only what has one of either is wanted. None: everything
        """
        among = ""
        if (
            asked is not None
            and not self.con.sql("from log where kind = $kind limit 1", params={"kind": kind}).fetchall()
        ):
            asked = asked.clear()  # the first file of its kind
        if asked is not None:
            self.con.register("asked", asked.to_arrow())
            among = "and (content_key in (select content_key from asked) or key in (select key from asked)) "
        found = self.con.sql(
            "select any_value(type) filter (type <> 'earlier') as type, any_value(key) as key, content_key, "
            "min(received_at) as received_at from log where kind = $kind and type in ('row', 'quarantine', 'earlier') "
            f"{among}group by content_key",
            params={"kind": kind},
        ).pl()
        if asked is not None:
            self.con.unregister("asked")
        return found

    def close(self) -> None:
        self.con.close()


def made_ahead(parts: Iterable[pl.DataFrame]) -> Generator[pl.DataFrame, None, None]:
    """The same parts, each made on a thread of its own while its taker is busy with the one before."""
    left = iter(parts)
    with ThreadPoolExecutor(1) as maker:
        coming = maker.submit(next, left, None)
        while (part := coming.result()) is not None:
            coming = maker.submit(next, left, None)
            yield part


def refuse_older(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Marks a new log with its format.

    Raises
    ------
    BookError : if the log has another format; such a book can be read and verified, and not written.
    """
    tables = {name for (name,) in con.sql("select table_name from duckdb_tables()").fetchall()}
    if "format" in tables:
        found = con.sql("select number from format").fetchall()[0][0]
    elif "log" in tables:
        found = 1
    else:
        con.execute("create table format as select ?::bigint as number", [FORMAT])
        return
    if found != FORMAT:
        con.close()
        raise BookError(
            f"{path}: written in format {found}, and this version writes format {FORMAT}. It can still be read "
            "and verified; take its files into a new book, or go on with the version that made it."
        )


def peaks_text(peaks: list[tree.Peak]) -> str:
    """Peaks as text: height:root, …"""
    return " ".join(f"{height}:{node.hex()}" for height, node in peaks)


def last_head(con: duckdb.DuckDBPyConnection) -> Head:
    """The newest tree head in a log."""
    found = con.sql("select size, root, peaks from heads order by size desc limit 1").fetchall()
    if not found:
        return Head(0, tree.EMPTY_ROOT, [])
    row = found[0]
    peaks = [(int(height), bytes.fromhex(node)) for height, node in (p.split(":") for p in row[2].split())]
    return Head(row[0], bytes.fromhex(row[1]), peaks)


def verify(path: Path) -> Head:
    """Recomputes every leaf and every tree head, and holds the index against the canonical form.

    Raises
    ------
    BookBroken : names the first entry that differs.
    """
    con = connect(path, read_only=True)
    try:
        try:
            return verify_heads(con)
        except duckdb.Error as error:
            raise BookBroken(
                f"{path}: the log cannot be read ({str(error).splitlines()[0]}). Restore it from a copy."
            ) from error
    finally:
        con.close()


def missing_originals(path: Path, originals: Path) -> list[str]:
    """What is wrong with the files kept beside a log: one sentence each for those missing or changed."""
    con = connect(path, read_only=True)
    try:
        files = con.sql("select distinct file, key from log where type = 'file' and file <> '' order by key").fetchall()
    finally:
        con.close()
    wrong = []
    for sha, name in files:
        kept = originals / sha
        if not kept.exists():
            wrong.append(f"the original of {name} ({sha}) is missing")
        elif digest_of(kept) != sha:
            wrong.append(f"the original of {name} ({sha}) has been changed")
    return wrong


def digest_of(path: Path) -> str:
    """SHA-256 of a file of any size, hex."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()


def verify_heads(con: duckdb.DuckDBPyConnection) -> Head:
    """As `verify`, on an open log."""
    heads = con.sql("select size, root, peaks from heads order by size").fetchall()
    count = con.sql("select count(*) from log").fetchall()[0][0]
    last = heads[-1][0] if heads else 0
    peaks: list[tree.Peak] = []
    done, entries = 0, checked_entries(con)
    for size, root, stored_peaks in heads:
        if size < done:
            raise BookBroken(f"tree head {size}: out of order. The heads were changed; restore the log from a copy.")
        leaves = list(islice(entries, size - done))
        if len(leaves) < size - done:
            raise BookBroken(
                f"entry {done + len(leaves)}: missing, the tree head counts {size}. Restore the log from a copy."
            )
        peaks = tree.grow(peaks, leaves)
        if tree.root(peaks).hex() != root or peaks_text(peaks) != stored_peaks:
            raise BookBroken(
                f"entry {done}: the first of the entries {done} to {size - 1} whose tree head differs. "
                "Restore the log from a copy."
            )
        done = size
    if count != last:
        raise BookBroken(
            f"entry {last}: the first of {count - last} entries that no tree head covers. Restore the log from a copy."
        )
    return Head(last, tree.root(peaks), peaks)


def checked_entries(con: duckdb.DuckDBPyConnection) -> Iterator[bytes]:
    """The leaves in order; raises at the first entry that does not fit its hash or its index."""
    cursor = con.cursor()
    cursor.execute("set timezone = 'UTC'")
    start = 0
    while True:
        rows = cursor.execute(
            f"select seq, {', '.join(f'{chr(34)}{name}{chr(34)}' for name in INDEX)}, body, leaf "
            "from log where seq >= ? order by seq limit ?",
            [start, CHUNK],
        ).fetchall()
        if not rows:
            return
        for place, (seq, *index, body, leaf) in enumerate(rows, start=start):
            if seq != place:
                raise BookBroken(f"entry {min(seq, place)}: missing or doubled. Restore the log from a copy.")
            if tree.leaf_hash(body.encode()) != leaf:
                raise BookBroken(f"entry {seq}: its text differs from its hash. Restore the log from a copy.")
            if not agrees(json.loads(body), index):
                raise BookBroken(f"entry {seq}: its index differs from its text. Restore the log from a copy.")
            yield leaf
        start += len(rows)


def agrees(body: dict[str, object], index: list[object]) -> bool:
    """Whether the index columns say what the canonical form says."""
    for name, value in zip(INDEX, index, strict=True):
        said = body.get(name)
        if name == "received_at":
            if not isinstance(value, datetime) or parse_time(str(said)) != value:
                return False
        elif said != (value.hex() if isinstance(value, bytes) else value):
            return False
    return True
