"""What the log keeps of a row: canonical, masked, and known again."""

import hmac
import json
from datetime import UTC, datetime
from hashlib import sha256

import polars as pl
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise.canonical import digests, keyed_digests
from pipeline.normalise.entries import content
from pipeline.normalise.shape import Piece, shape
from pipeline.sources.reading import read_table
from pipeline.sources.tables import RawTable
from pipeline.store.intake import Taken, row_entries

RECEIVED = datetime(2026, 11, 3, 18, tzinfo=UTC)
HEAD = "ticket_id,opened_at,site,caller,text,status,desk\n"


def rows(line: str, secret: bytes = b"s" * 32, tokens: dict[str, str] | None = None) -> pl.DataFrame:
    known = {} if tokens is None else tokens

    def token(names):
        return [None if name is None else known.setdefault(name, f"p-{len(known)}") for name in names]

    shaped = shape([Piece(read_table((HEAD + line).encode(), "f", "csv"), RECEIVED)], "tickets", "UTC")
    return content(shaped, "tickets", [RECEIVED], secret, token, "UTC")


LINE = '1,2026-11-03T12:00:00,Grange,Alva Trennick,"Alva Trennick here, 555-0142, jam",open,north\n'


def test_names_and_numbers_do_not_enter_the_log():
    row = rows(LINE).to_dicts()[0]
    logged = " ".join(str(value) for name, value in row.items() if name.startswith(("v_", "a_")))
    assert "Trennick" not in logged and "555" not in logged and "jam" in logged and row["v_caller"] == "p-0"


def test_the_same_row_is_known_again_and_another_caller_is_another_content():
    other = LINE.replace("Alva Trennick,", "Bo Marsden,")
    assert rows(LINE)["content_key"][0] == rows(LINE)["content_key"][0] != rows(other)["content_key"][0]


def test_a_content_key_cannot_be_guessed_without_the_books_secret():
    assert rows(LINE)["content_key"][0] != rows(LINE, secret=b"t" * 32)["content_key"][0]


def test_the_content_hash_is_the_same_in_every_book():
    mine, theirs = rows(LINE), rows(LINE, secret=b"t" * 32, tokens={"x": "p-0", "y": "p-1"})
    assert mine["v_caller"][0] != theirs["v_caller"][0] and mine["content_hash"][0] == theirs["content_hash"][0]


def test_a_row_is_known_again_whatever_other_columns_came_beside_it():
    """Files taken together share a frame; a column that only the other file has must not count as this row's."""
    other = Piece(read_table((HEAD.replace("desk", "mood") + LINE).encode(), "g", "csv"), RECEIVED)
    mine = Piece(read_table((HEAD + LINE).encode(), "f", "csv"), RECEIVED)
    together = shape([mine, other], "tickets", "UTC")
    both = content(together, "tickets", [RECEIVED, RECEIVED], b"s" * 32, lambda names: ["p-0" for _ in names], "UTC")
    assert both["content_key"][0] == rows(LINE)["content_key"][0] != both["content_key"][1]
    assert both["attributes"].to_list() == ['{"desk":"north"}', '{"mood":"north"}']


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(), min_size=1, max_size=4), st.binary(min_size=1, max_size=80))
def test_digests_are_those_of_the_standard_library(texts, secret: bytes):
    column = pl.Series(texts)
    assert digests("k\x1f", column).to_list() == [sha256(f"k\x1f{t}".encode()).digest()[:16] for t in texts]
    expected = [hmac.digest(secret, f"k\x1f{t}".encode(), "sha256")[:16] for t in texts]
    assert keyed_digests(secret, "k\x1f", column).to_list() == expected


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.text(), st.text(), st.one_of(st.none(), st.text())), min_size=1, max_size=5))
def test_what_a_logged_row_says_is_canonical_whatever_it_says(said):
    """From rows to bodies, as the intake makes them: RFC 8785 by the `rfc8785` package (PyPI)."""
    frame = pl.DataFrame(said, schema={"site": pl.String, "text": pl.String, 'dé"sk': pl.String}, orient="row")
    head = {"ticket_id": "1", "opened_at": "2026-11-03T12:00:00Z", "status": "open", "caller": "Alva"}
    texts = frame.with_columns(pl.lit(v).alias(k) for k, v in head.items())
    raw = RawTable({s.name: s for s in texts.get_columns()}, range(2, frame.height + 2))
    shaped = shape([Piece(raw, RECEIVED)], "tickets", "UTC")
    made = content(shaped, "tickets", [RECEIVED], b"s" * 32, lambda names: ["p-0" for _ in names], "UTC")
    for part in row_entries(made, "tickets", [Taken("f", "ab", Piece(raw, RECEIVED))]):
        for body, key, digest in part.select("body", "key", "content_key").iter_rows():
            told = json.loads(body)
            assert rfc8785.dumps(told).decode() == body
            assert (told["key"], told["content_key"], told["values"]["caller"]) == (key, digest.hex(), "p-0")
