"""Who is behind a token: a file of its own, readable by its owner alone, that may be deleted without harm to the log.

Reason: a log never identifies a voter (VVSG 2.0, EAC 2021, 15.1-C), and callers and workers have phones.
"""

import hmac
import os
import secrets
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path
from threading import Lock

import duckdb
import polars as pl

from pipeline.store.book import Book


def keyed(secret: bytes, *parts: str) -> str:
    """HMAC-SHA-256 of the parts under the book's secret, hex: the same row is known again, and nobody can guess it."""
    return hmac.new(secret, "\x1f".join(parts).encode(), sha256).hexdigest()


class People:
    """The tokens of one book."""

    def __init__(self, book: Book) -> None:
        self._path = book.people
        self._secret = bytes.fromhex(book.secret.read_text())
        self._tokens: dict[str, str] = {}
        self._new: list[tuple[str, str, str]] = []
        self._one = Lock()  # parts of a file are worked on side by side, and a name has one token
        if self._path.exists():
            with duckdb.connect(str(self._path), read_only=True) as con:
                self._tokens = dict(con.sql("select person_key, token from people").fetchall())

    def tokens(self, names: Iterable[str | None]) -> list[str | None]:
        """A token for each name, the same for the same words; None stays None."""
        listed = list(names)
        once: dict[str | None, str | None] = {None: None}
        with self._one:
            once |= {name: self.token(name) for name in dict.fromkeys(listed) if name is not None}
        return [once[name] for name in listed]

    def token(self, name: str) -> str:
        """The token of one name, a new one if it has none yet."""
        key = keyed(self._secret, "person", " ".join(name.split()).casefold())
        token = self._tokens.get(key)
        if token is None:
            token = self._tokens[key] = f"p-{secrets.token_hex(6)}"
            self._new.append((key, token, name))
        return token

    def save(self) -> None:
        """Writes new tokens; called before the log's rows that carry them."""
        if not self._new:
            return
        is_new = not self._path.exists()
        if is_new:  # the file must never exist with wider rights than it ends up with
            before = os.umask(0o177)
        try:
            with duckdb.connect(str(self._path)) as con:
                con.execute("create table if not exists people (person_key varchar, token varchar, name varchar)")
                frame = pl.DataFrame(self._new, schema=["person_key", "token", "name"], orient="row").to_arrow()
                con.register("new_people", frame)
                con.execute("insert into people select * from new_people")
        finally:
            if is_new:
                os.umask(before)
        os.chmod(self._path, 0o600)
        self._new = []


def names_behind(path: Path) -> dict[str, str]:
    """Token → name or number, for those who may read the file; empty where it has been deleted."""
    if not path.exists():
        return {}
    with duckdb.connect(str(path), read_only=True) as con:
        return dict(con.sql("select token, name from people").fetchall())
