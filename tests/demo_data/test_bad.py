"""One bad file per contract rule: what becomes of it, row by row, is what `expected.json` says beside it."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.run import take

BAD = Path(__file__).parents[2] / "demo_data" / "bad"
EXPECTED = json.loads((BAD / "expected.json").read_text(encoding="utf-8"))
GROUND = ("county.toml", "sites.csv", "units.csv")
BESIDE = (*GROUND, "received.csv", "expected.json", "README.md")
NOW = datetime(2026, 11, 3, 17, 5, tzinfo=UTC)  # five minutes after their receipt at noon, Eastern time
COUNTS = ("read", "accepted", "already_known", "superseded", "quarantined")


@pytest.fixture(scope="module")
def receipts(tmp_path_factory):
    """The receipts of all bad files, taken into one book after the rosters that they are judged by."""
    book = tmp_path_factory.mktemp("bad") / "book"
    ground = take([BAD / name for name in GROUND], book, NOW)
    assert [(r.accepted, r.quarantined) for r in ground] == [(1, 0), (2, 0), (2, 0)]
    return {r.file: r for r in take([BAD / name for name in EXPECTED], book, NOW)}


def test_every_bad_file_has_an_expectation():
    assert {p.name for p in BAD.iterdir()} - set(BESIDE) == set(EXPECTED)


@pytest.mark.parametrize("name", EXPECTED)
def test_counts_are_as_the_contract_has_them(receipts, name):
    assert {c: getattr(receipts[name], c) for c in COUNTS} == {c: EXPECTED[name][c] for c in COUNTS}


@pytest.mark.parametrize("name", EXPECTED)
def test_each_reason_names_row_and_column_and_says_what_is_wrong(receipts, name):
    wanted = EXPECTED[name]["reasons"]
    found = receipts[name].reasons
    assert [(r["row"], r["column"]) for r in found] == [(w["row"], w["column"]) for w in wanted]
    for reason, expected in zip(found, wanted, strict=True):
        assert expected["word"] in reason["reason"]


@pytest.mark.parametrize("name", [n for n, e in EXPECTED.items() if "never_shown" in e])
def test_values_in_reasons_are_masked(receipts, name):
    told = json.dumps(receipts[name].reasons)
    assert told != "[]"
    for secret in EXPECTED[name]["never_shown"]:
        assert secret in (BAD / name).read_text(encoding="utf-8")
        assert secret not in told


def test_a_second_taking_adds_nothing(tmp_path):
    book = tmp_path / "book"
    take([BAD], book, NOW)
    again = {r.file: r for r in take([BAD], book, NOW)}
    for name in EXPECTED:
        receipt = again[name]
        assert (receipt.accepted, receipt.superseded, receipt.quarantined) == (0, 0, 0)
        assert receipt.already_known == EXPECTED[name]["read"]
