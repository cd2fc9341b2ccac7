"""A file's bytes in bounded memory: a line that is far too long for a row is cut, so that the other rows go on.

What is cut off is told by its length and SHA-256, so that two long lines which begin alike stay two. The reader then
finds the line too long (`tables.LONGEST_ROW`) and puts that row, and no other, in quarantine.
"""

from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

from pipeline.errors import SourceError

LARGEST = 1 << 30  # bytes held of one file; more could stop the rest of the day: our choice
LONGEST_LINE = 1 << 22  # bytes held of one line: `tables.LONGEST_ROW` characters of UTF-8 take no more
PIECE = 1 << 20  # bytes read in one go
LINE_ENDS = (b"\n", b"\r")  # each by itself, or both: as the readers have it


def read_bounded(
    path: Path,
    name: str,
    form: str,
    also: Callable[[bytes], object] = lambda piece: None,
    *,
    largest: int = LARGEST,
    longest: int = LONGEST_LINE,
) -> bytes:
    """A file with its overlong lines cut.

    Parameters
    ----------
    path : the file
    name : its name, for messages
    form : csv, jsonl, xlsx, lines or toml
    also : is given every piece as it came, for a copy or a hash
    largest, longest : bytes held of the file, and of a line

    Raises
    ------
    SourceError : if more than `largest` would have to be held. `also` has then seen a part of the file only.
    """
    kept, held = [], 0
    for piece in cut_lines(pieces_of(path, also), longest, by_line=form != "xlsx"):
        held += len(piece)
        if held > largest:
            raise SourceError(f"{name}: larger than {largest >> 20} MiB. Export it in parts.")
        kept.append(piece)
    return b"".join(kept)


def pieces_of(path: Path, also: Callable[[bytes], object]) -> Iterator[bytes]:
    """A file, piece by piece."""
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            also(piece)
            yield piece


def cut_lines(pieces: Iterator[bytes], longest: int, *, by_line: bool) -> Iterator[bytes]:
    """Pieces no longer than `longest` without what a line holds beyond it; text in UTF-16 and workbooks stay whole."""
    run, lost, digest = 0, 0, sha256()
    first = True
    for piece in pieces:
        if first:
            by_line &= not piece.startswith((BOM_UTF16_LE, BOM_UTF16_BE))
            first = False
        if not by_line:
            yield piece
            continue
        ends = [place for place in (piece.find(mark) for mark in LINE_ENDS) if place >= 0]
        end = min(ends, default=-1)
        head = piece if end < 0 else piece[:end]
        room = max(longest - run, 0)
        yield head[:room]
        if len(head) > room:
            lost += len(head) - room
            digest.update(head[room:])
        run += len(head)
        if end >= 0:
            if lost:
                yield told(lost, digest.hexdigest())
                lost, digest = 0, sha256()
            yield piece[end:]
            run = len(piece) - max(map(piece.rfind, LINE_ENDS)) - 1
    if lost:
        yield told(lost, digest.hexdigest())


def told(lost: int, digest: str) -> bytes:
    """What stands for the end of a line that was cut; never an end of a quoted field or of an object."""
    return f" … {lost} bytes more, SHA-256 {digest}".encode()
