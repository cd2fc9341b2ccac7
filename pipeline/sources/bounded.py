"""A file's bytes in bounded memory: a line that is far too long for a row is cut, so that the other rows go on.

What is cut off is told by its length and SHA-256, so that two long lines which begin alike stay two. The reader then
finds the line too long (`tables.LONGEST_ROW`) and puts that row, and no other, in quarantine.
"""

from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from hashlib import sha256
from io import BytesIO
from pathlib import Path

from pipeline.errors import SourceError

LARGEST = 1 << 30  # bytes held of one file; more could stop the rest of the day: our choice
LONGEST_LINE = 1 << 22  # bytes held of one line: `tables.LONGEST_ROW` characters of UTF-8 take no more
PIECE = 1 << 20  # bytes read in one go
WAITING = 8  # pieces that wait for work beside the reading: bounds memory
LINE_ENDS = (b"\n", b"\r")  # each by itself, or both: as the readers have it


class SideThread:
    """Work on the pieces of a file on a thread of its own, in their order, while the context lasts.

    Leaving waits for what is left. An error of the work is raised there or by a later `do`.
    """

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._left: deque[Future[object]] = deque()

    def __enter__(self) -> "SideThread":
        return self

    def __exit__(self, *_: object) -> None:
        try:
            while self._left:
                self._left.popleft().result()
        finally:
            self._thread.shutdown(cancel_futures=True)

    def do(self, work: Callable[[bytes], object], piece: bytes) -> None:
        """Has work done on a piece after all that was asked for before; waits while too many pieces do."""
        if len(self._left) >= WAITING:
            self._left.popleft().result()
        self._left.append(self._thread.submit(work, piece))


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
    kept = BytesIO()  # gives its bytes away without a copy
    for piece in cut_lines(pieces_of(path, also), longest, by_line=form != "xlsx"):
        if kept.tell() + len(piece) > largest:
            raise SourceError(f"{name}: larger than {largest >> 20} MiB. Export it in parts.")
        kept.write(piece)
    return kept.getvalue()


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
        if end >= 0 and not lost and run + end <= longest and len(piece) <= longest:  # no line in it is too long
            yield piece
            run = len(piece) - max(map(piece.rfind, LINE_ENDS)) - 1
            continue
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
