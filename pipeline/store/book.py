"""The book: a folder with an inbox, the originals, the log, the published snapshot and the settings; one writer.

inbox/            files dropped here are taken in
originals/        every file taken, byte for byte, under its SHA-256
log.duckdb        the append-only log
published.duckdb  the snapshot that everyone else reads, replaced by atomic rename
people.duckdb     who is behind a token: restricted (0600), may be deleted
settings.toml     assumptions that a county changes
fallback/         the hourly pack for paper, written by a watcher (0700)
vocabulary.toml   words and example sentences that a county adds, if it does
secret            the key of this book's content keys (0600)
writer.lock       held by the one process that writes
"""

import fcntl
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO

from pipeline.errors import BookBusy, BookError, MissingFile
from pipeline.settings import settings_text

SECRET_BYTES = 32


@dataclass(frozen=True)
class Book:
    """Where the parts of a book are."""

    folder: Path

    @property
    def inbox(self) -> Path:
        return self.folder / "inbox"

    @property
    def originals(self) -> Path:
        return self.folder / "originals"

    @property
    def receipts(self) -> Path:
        return self.folder / "inbox" / "receipts"

    @property
    def log(self) -> Path:
        return self.folder / "log.duckdb"

    @property
    def published(self) -> Path:
        return self.folder / "published.duckdb"

    @property
    def people(self) -> Path:
        return self.folder / "people.duckdb"

    @property
    def settings(self) -> Path:
        return self.folder / "settings.toml"

    @property
    def vocabulary(self) -> Path:
        return self.folder / "vocabulary.toml"

    @property
    def fallback(self) -> Path:
        return self.folder / "fallback"

    @property
    def secret(self) -> Path:
        return self.folder / "secret"

    @property
    def lock(self) -> Path:
        return self.folder / "writer.lock"


# What may lie in a folder that is to be a book.
BESIDE = {"writer.lock", "settings.toml", "vocabulary.toml", "inbox", "secret", "originals"}


def open_book(folder: Path, *, create: bool = False) -> Book:
    """The book in a folder, made new if asked for.

    Raises
    ------
    MissingFile : if there is no book and none is to be made.
    BookError : if the path is something else.
    """
    book = Book(folder)
    if folder.exists() and not folder.is_dir():
        raise BookError(f"{folder}: a file, not a book. Name a folder.")
    if book.log.exists() and book.secret.exists():
        return book
    if not create:
        raise MissingFile(f"{folder}: no book there. `wardbook take FILES --book {folder}` makes one.")
    if folder.exists() and any(p.name not in BESIDE for p in folder.iterdir()):
        raise BookError(f"{folder}: holds other files, and no book. Name a new or an empty folder.")
    for part in (book.inbox, book.originals):
        part.mkdir(parents=True, exist_ok=True)
        part.chmod(0o700)  # files as they came hold names and numbers
    if not book.secret.exists():
        write_private(book.secret, secrets.token_hex(SECRET_BYTES).encode())
    if not book.settings.exists():
        book.settings.write_text(settings_text(), "utf-8")
    return book


def write_private(path: Path, data: bytes) -> None:
    """A file that only its owner may read."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(data)


class Writing:
    """The right to write a book, held while the context lasts.

    Raises
    ------
    BookBusy : on entry, if another process holds it.
    """

    def __init__(self, book: Book) -> None:
        self.book = book
        self._file: IO[str] | None = None

    def __enter__(self) -> "Writing":
        self.book.folder.mkdir(parents=True, exist_ok=True)
        file = self.book.lock.open("a+")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            file.close()
            raise BookBusy(
                f"{self.book.folder}: another process is writing this book. Stop it first, or leave the work to it."
            ) from error
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        self._file = file
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file:
            self._file.close()
            self._file = None


def is_held(book: Book) -> bool:
    """Whether a process is writing the book right now."""
    try:
        with Writing(book):
            return False
    except BookBusy:
        return True
