"""Rows in canonical form are, byte for byte, what the `rfc8785` package makes of them.

PyPI `rfc8785` reproduces the vectors published with RFC 8785.
"""

import polars as pl
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise.canonical import envelopes, joined, members, objects, ordered

SURROGATES = range(0xD800, 0xE000)  # no characters by themselves
VALUE = st.one_of(st.none(), st.text())
# Order by UTF-16 code units (RFC 8785 section 3.2.3) puts U+1F5F3 before U+FB33, order by code points after it.
NAMES = st.lists(
    st.one_of(st.text(max_size=3), st.sampled_from(["\ufb33", "\U0001f5f3", "\x80", "\r", 'a"\\', "1", "*", "^.$"])),
    min_size=1, max_size=5, unique=True,
)  # fmt: skip


def test_every_character_is_written_as_the_rfc_asks():
    every = [chr(code) for code in range(0x110000) if code not in SURROGATES]
    blocks = ["".join(every[start : start + 256]) for start in range(0, len(every), 256)]
    told = objects(pl.DataFrame({"text": [*every[:0x300], *blocks]})).to_list()
    assert told == [rfc8785.dumps({"text": text}).decode() for text in [*every[:0x300], *blocks]]


@settings(max_examples=100, deadline=None)
@given(NAMES, st.data())
def test_rows_are_objects_in_the_order_of_the_rfc_without_the_gaps_left_out(names: list[str], data: st.DataObject):
    rows = data.draw(st.lists(st.tuples(*(VALUE for _ in names)), min_size=1, max_size=4))
    omitted = data.draw(st.sets(st.sampled_from(names)))
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    told = [dict(zip(names, row, strict=True)) for row in rows]
    kept = [{n: v for n, v in row.items() if v is not None or n not in omitted} for row in told]
    stretches = [members([frame[name]], omits_null=name in omitted) for name in ordered(names)]
    assert joined(stretches).to_list() == [rfc8785.dumps(row).decode() for row in kept]
    assert objects(frame).to_list() == [rfc8785.dumps(row).decode() for row in told]
    both = [frame[name] for name in ordered(names)]
    assert joined([members(both[:1]), members(both[1:])] if both[1:] else [members(both)]).equals(objects(frame))


@settings(max_examples=100, deadline=None)
@given(NAMES, st.data())
def test_envelopes_hold_what_is_json_already_and_columns_in_one_order(names: list[str], data: st.DataObject):
    rows = data.draw(st.lists(st.tuples(*(VALUE for _ in names)), min_size=1, max_size=4))
    inside = data.draw(st.sets(st.sampled_from(names)))
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    as_json = [[None if v is None else rfc8785.dumps(v).decode() for v in frame[n]] for n in names]
    both = frame.with_columns(pl.Series(f"json {n}", v, dtype=pl.String) for n, v in zip(names, as_json, strict=True))
    told = {"fixed": ["7"]} | {name: [pl.col(f"json {name}").fill_null("null")] for name in inside}
    found = envelopes(both, told, [name for name in names if name not in inside])
    assert found.to_list() == [rfc8785.dumps({"fixed": 7} | row).decode() for row in frame.to_dicts()]
