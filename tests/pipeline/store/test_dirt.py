"""A folder full of damage: every bad row and file is told with its reason, and everything else is taken."""

from collections.abc import Callable
from pathlib import Path

from pipeline import run
from pipeline.sources.bounded import LONGEST_LINE

TICKETS = b"ticket_id,opened_at,site,caller,text,status\n"
LINES = b"site_id,at,checkin_line\n"


def line(number: int, site: bytes = b"P01", count: bytes = b"3") -> bytes:
    return b"%s,2026-11-03T09:%02d:00,%s\n" % (site, number, count)


def ticket(number: int, text: bytes) -> bytes:
    return b"K9%d,2026-11-03T09:10:00,x,,%s,open\n" % (number, text)


def status(number: int, state: bytes = b"scanning") -> bytes:
    return b'{"unit_id": "SC-1001", "at": "2026-11-03T09:%02d:00", "sequence": %d, "state": "%s"}\n' % (
        number,
        number,
        state,
    )


LONG = "the line is longer than 1048576 characters"
LONG_ROW = "the row is longer than 1048576 characters"
# file → its bytes, rows read, and what is said of the bad ones: row, column, start of the value, start of the reason
DAMAGED: dict[str, tuple[bytes, int, list[tuple[int, str | None, str, str]]]] = {
    "lines-01.csv": (
        LINES + line(1) + line(2, count=b"x" * LONGEST_LINE) + line(3),
        3,
        [(3, None, "P01,2026-11-03T09:02:00,", LONG_ROW)],
    ),
    "lines-02.csv": (
        LINES + line(4) + line(5, count=b"3\x00") + line(6) + b"P01\n" + line(7, count=b"3,4") + line(8, count=b"many"),
        6,
        [
            (3, None, "P01,2026-11-03T09:05:00,", "the row holds a NUL byte; export it again"),
            (5, None, "P01", "1 fields where the header has 3; quote fields that hold ','"),
            (6, None, "P01,2026-11-03T09:07:00,", "4 fields where the header has 3; quote fields that hold ','"),
            (7, "checkin_line", "many", "not a number; expected people waiting for check-in [count], 0 to 100000"),
        ],
    ),
    "lines-03.csv": ((LINES + line(9) + line(10)).decode().encode("utf-16"), 2, []),
    "status-01.jsonl": (
        status(1) + status(2, b"x" * LONGEST_LINE) + status(3) + status(4)[:40],
        4,
        [
            (2, None, '{"unit_id": "SC-1001"', LONG),
            (4, None, '{"unit_id": "SC-1001"', "not a whole JSON object ("),
        ],
    ),
    "status-02.jsonl": (
        status(5) + b"[" * 100_000 + b"\n" + status(6, b"\x00") + status(7),
        4,
        [
            (2, None, "[[[", "not a whole JSON object ("),
            (3, None, '{"unit_id": "SC-1001"', "the line holds a NUL byte; export it again"),
        ],
    ),
    "tickets-01.csv": (
        TICKETS
        + ticket(1, b'"two ""words""\non two lines"')
        + ticket(2, "caf\u00e9".encode())
        + ticket(3, "caf\u00e9".encode("cp1252"))
        + ticket(4, b'"never closed')
        + ticket(5, b"fine"),
        5,
        [(5, None, "K94,2026-11-03T09:10:00", "5 fields where the header has 6; quote fields that hold ','")],
    ),
}  # fmt: skip
REFUSED = {
    "tickets-02.csv": (b"", "tickets-02.csv: the file is empty. Export it again."),
    "tickets-03.xlsx": (b"PK", "tickets-03.xlsx: not an .xlsx workbook. Save it as .xlsx or export CSV."),
    "tickets-04.csv": (None, "tickets-04.csv: a folder inside a folder. Name it by itself to take its files."),
}


def test_damage_is_told_and_stops_nothing_else(write_day: Callable[..., Path], tmp_path: Path, now):
    files = {name: data for name, (data, *_) in (DAMAGED | REFUSED).items() if data is not None}
    day = write_day(files)
    (day / "tickets-04.csv").mkdir()
    receipts = {receipt.file: receipt for receipt in run.take([day], tmp_path / "book", now)}
    for name, (_, read, bad) in DAMAGED.items():
        receipt = receipts[name]
        assert (receipt.read, receipt.accepted, receipt.quarantined) == (read, read - len(bad), len(bad)), receipt
        for (row, column, value, reason), told in zip(bad, receipt.reasons, strict=True):
            assert (told["row"], told["column"]) == (row, column)
            assert told["value"].startswith(value) and len(told["value"]) <= 201
            assert told["reason"].startswith(reason) and (reason.endswith("(") or told["reason"] == reason)
    assert {name: receipts[name].refused for name in REFUSED} == {name: reason for name, (_, reason) in REFUSED.items()}
    assert receipts["tickets-0930.csv"].accepted == 2
