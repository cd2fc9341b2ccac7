"""A line of any length is answered in bounded memory, and costs its own row only."""

import re
import tracemalloc
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import SourceError
from pipeline.sources import bounded
from pipeline.sources.bounded import LONGEST_LINE, WAITING, SideThread, cut_lines, read_bounded
from pipeline.sources.reading import read_table
from pipeline.sources.tables import LONGEST_ROW


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.binary(max_size=40), max_size=8),
    st.integers(9, 20),
    st.integers(2, 9),
)
def test_lines_within_the_bound_stay_and_longer_ones_keep_their_start_and_their_hash(lines, longest: int, step: int):
    data = b"\n".join(lines)
    pieces = (data[start : start + step] for start in range(0, len(data), step))
    cut = b"".join(cut_lines(pieces, longest, by_line=not data.startswith((b"\xff\xfe", b"\xfe\xff"))))
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        assert cut == data
        return
    expected = [
        line if len(line) <= longest
        else line[:longest] + f" … {len(line) - longest} bytes more, SHA-256 {sha256(line[longest:]).hexdigest()}".encode()
        if not line.startswith((b"\n", b"\r")) else line
        for line in re.split(rb"([\r\n])", data)
    ]  # fmt: skip
    assert cut == b"".join(expected)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_no_row_of_a_large_file_is_lost_however_its_lines_end(tmp_path: Path, end: bytes):
    path = tmp_path / "rows.csv"
    path.write_bytes(end.join([b"a,b", *(b"%d,%s" % (n, b"x" * 5000) for n in range(1000)), b""]))
    assert path.stat().st_size > LONGEST_LINE
    table = read_table(read_bounded(path, "rows.csv", "csv"), "rows.csv", "csv")
    assert table.rows == list(range(2, 1002)) and not table.faults


@pytest.mark.parametrize(
    ("form", "line", "head", "tail"),
    [
        ("csv", b'2,"%s",y\n', b"a,b,c\n1,x,y\n", b"3,x,y\n"),
        ("jsonl", b'{"a":2,"b":"%s"}\n', b'{"a":1,"b":"x"}\n', b'{"a":3,"b":"x"}\n'),
        ("lines", b"%s\n", b"first\n", b"third\n"),
    ],
)
def test_an_overlong_row_is_a_fault_and_the_rows_around_it_go_on(tmp_path: Path, form: str, line, head, tail):
    path = tmp_path / "long"
    path.write_bytes(head + line % (b"x" * (3 * LONGEST_LINE)) + tail)
    table = read_table(read_bounded(path, "long", form), "long", form)
    assert len(table.rows) == 2
    assert [f.reason for f in table.faults] == [
        f"the {'row' if form == 'csv' else 'line'} is longer than 1048576 characters"
    ]
    assert table.faults[0].row == (3 if form == "csv" else 2)  # the header is row 1 of a table


def test_a_long_line_takes_no_more_memory_than_its_bound(tmp_path: Path):
    path = tmp_path / "long.csv"
    with path.open("wb") as file:
        file.write(b"a,b\n1,")
        for _ in range(96):
            file.write(b"x" * (1 << 20))
        file.write(b"\n2,y\n")
    tracemalloc.start()
    data = read_bounded(path, "long.csv", "csv")
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 4 * LONGEST_LINE < path.stat().st_size / 5 and data.endswith(b"\n2,y\n")


def test_a_file_that_stays_too_large_is_refused_in_a_sentence(tmp_path: Path):
    path = tmp_path / "big.csv"
    path.write_bytes(b"a,b\n" * (1 << 19))
    with pytest.raises(SourceError, match=r"^big.csv: larger than 1 MiB. Export it in parts.$"):
        read_bounded(path, "big.csv", "csv", largest=1 << 20)


def test_a_workbook_is_never_cut(tmp_path: Path):
    path = tmp_path / "a.xlsx"
    path.write_bytes(b"PK" + bytes(100))
    assert read_bounded(path, "a.xlsx", "xlsx", longest=10) == path.read_bytes()


def test_a_row_as_long_as_a_row_may_be_is_never_cut():
    assert LONGEST_LINE >= 4 * LONGEST_ROW  # a character of UTF-8 has at most four bytes: RFC 3629
    assert bounded.PIECE <= LONGEST_LINE


def test_work_beside_the_reading_is_done_in_order_before_the_context_ends():
    done: list[bytes] = []
    with SideThread() as beside:
        for n in range(3 * WAITING):
            beside.do(done.append, b"%d" % n)
    assert done == [b"%d" % n for n in range(3 * WAITING)]


@pytest.mark.parametrize("pieces", [1, 3 * WAITING])
def test_an_error_of_work_beside_the_reading_is_not_lost(pieces: int):
    def full(piece: bytes) -> None:
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"), SideThread() as beside:
        for _ in range(pieces):
            beside.do(full, b"x")
