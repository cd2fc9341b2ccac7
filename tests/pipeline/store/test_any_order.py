"""Any order of arrival ends in the same state: every kind, shuffled, split, duplicated and repeated, rosters late."""

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline import run
from pipeline.sources.folder import gather
from pipeline.store import read
from pipeline.store.book import open_book
from pipeline.store.quarantine import quarantine_at

NOW = datetime(2026, 11, 4, 12, tzinfo=UTC)
END = datetime(2026, 11, 5, tzinfo=UTC)
EARLIEST = datetime(2026, 11, 3, 13, tzinfo=UTC)

# Where a row stands in the log and which of its copies came first; names stand behind tokens of the book's own secret.
BY_ORDER = ("seq", "content_key", "file", "row", "caller")

NO_SHRINKING = (
    Phase.explicit,
    Phase.reuse,
    Phase.generate,
)  # each example takes a second: a failure must not take an hour

sampled = st.sampled_from
unit_ids = sampled(["SC-1001", "PB-2001", "SC-7777"])  # the last is on no roster
site_ids = sampled(["P01", "P02", "P77"])
clocks = sampled(["2026-11-03T08:00:00", "2026-11-03T08:05:00-06:00", "2026-11-03T08:10:00", "25 o'clock", ""])
counts = sampled(["0", "7", "12", "-3", "many", ""])

CSV_ROWS = {
    "tickets": (
        "ticket_id,opened_at,site,caller,text,status",
        st.tuples(
            sampled(["K1", "K2", ""]), clocks, sampled(["Marlpit", "Oxbow"]), sampled(["", "A. Nemo"]),
            sampled(["jam", "dark, call 555-0142"]), sampled(["open", "resolved", "lost"]),
        ),
    ),
    "lines": ("site_id,at,checkin_line,scanner_line", st.tuples(site_ids, clocks, counts, counts)),
    "milestones": (
        "site_id,milestone,at,item", st.tuples(site_ids, sampled(["open", "closed", "lunch"]), clocks, sampled(["", "SC-1001"])),
    ),
    "outages": (
        "outage_id,circuit,started_at,customers", st.tuples(sampled(["O1", "O2"]), sampled(["K1", ""]), clocks, counts),
    ),
    "reconcile": ("site_id,checked_in,ballots_counted", st.tuples(site_ids, counts, counts)),
    "ballot-stock": ("site_id,style,at,on_hand", st.tuples(site_ids, sampled(["A", "B"]), clocks, counts)),
}  # fmt: skip
STATUS_ROW = st.tuples(
    unit_ids, sampled(["2026-11-03T08:00:00-06:00", "2026-11-03T08:00:00", "nonsense"]), st.integers(1, 2), st.integers(-1, 2)
)  # fmt: skip


@st.composite
def one_file(draw: st.DrawFn) -> tuple[str, list[str], str]:
    """Kind, lines and suffix of one file; a status line repeats its sequence number as often as not."""
    kind = draw(sampled([*CSV_ROWS, "status"]))
    if kind == "status":
        rows = draw(st.lists(STATUS_ROW, min_size=1, max_size=6))
        line = '{{"unit_id":"{}","at":"{}","sequence":{},"ballots_counted":{}}}'
        return kind, [line.format(*row) for row in rows], "jsonl"
    header, row = CSV_ROWS[kind]
    rows = draw(st.lists(row, min_size=1, max_size=6))
    return kind, [header, *[",".join(f'"{cell}"' for cell in cells) for cells in rows]], "csv"


def pieces(kind: str, lines: list[str], suffix: str, cut: int) -> list[list[str]]:
    """A file, or the same rows in two files."""
    head, rows = ([], lines) if suffix == "jsonl" else (lines[:1], lines[1:])
    parts = [rows[:cut], rows[cut:]]
    return [[*head, *part] for part in parts if part]


def ended(folder: Path, steps: list[tuple[Path, datetime | None]]) -> dict[str, object]:
    """Everything known and everything in quarantine after taking files in an order; each receipt adds up on the way."""
    with run.Writer(open_book(folder / "book", create=True), NOW) as writer:
        for path, received_at in steps:
            receipts = writer.take(gather([path], NOW, received_at), NOW)
            assert all(r.adds_up() for r in receipts), [vars(r) for r in receipts]
        rows = writer.rows()
        known = {
            kind: sorted(read.states(rows, kind, END).drop(*BY_ORDER, strict=False).rows(), key=repr)
            for kind in rows.tables
        }
        waiting = quarantine_at(writer.log.con, rows, END).select("kind", "column", "value").unique().rows()
    return known | {"quarantine": sorted(waiting, key=repr)}


@settings(
    max_examples=15,
    deadline=None,
    phases=NO_SHRINKING,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(files=st.lists(one_file(), min_size=1, max_size=5), cut=st.integers(0, 3), seed=st.integers(0, 10_000))
def test_shuffled_split_duplicated_and_repeated_files_end_in_the_same_state(
    files, cut: int, seed: int, write_day, tmp_path_factory: pytest.TempPathFactory
):
    base = write_day(dict.fromkeys(("tickets-0930.csv", "status-0910.jsonl", "lines-0930.csv", "power-0910.txt")))
    folder = tmp_path_factory.mktemp("files")
    rosters = [
        (base / name, EARLIEST - timedelta(hours=1)) for name in ("county.toml", "sites.csv", "units.csv", "rovers.csv")
    ]
    whole, split = [], []
    for number, (kind, lines, suffix) in enumerate(files):
        received_at = EARLIEST + timedelta(minutes=90 + number)
        path = folder / f"{kind}-{number}.{suffix}"
        path.write_text("\n".join(lines) + "\n")
        whole.append((path, received_at))
        for part, text in enumerate(pieces(kind, lines, suffix, cut)):
            path = folder / f"{kind}-{number}-{part}.{suffix}"
            path.write_text("\n".join(text) + "\n")
            split.append((path, received_at))
    shuffled = rosters + split + split[:2]
    random.Random(seed).shuffle(shuffled)
    in_order = ended(tmp_path_factory.mktemp("run"), rosters + whole)
    assert ended(tmp_path_factory.mktemp("run"), shuffled) == in_order
