"""A person's answer about a ticket wins, from its receipt on, until it is taken back."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.contracts import events
from pipeline.contracts.known import Known, empty
from pipeline.normalise.troubles import read_tickets

AT = datetime(2026, 11, 3, 20, tzinfo=UTC)
TICKETS = [
    {"text": "scanner jammed", "site": "Vintner", "opened_at": AT - timedelta(minutes=50)},
    {"text": "scanner jammed", "site": "Vintner", "opened_at": AT - timedelta(minutes=45)},
    {"text": "ramp is blocked by a truck", "site": "Oxbow Library", "opened_at": AT - timedelta(minutes=40)},
]


def said(*values: dict, withdraws: str | None = None, target: str = "K000") -> pl.DataFrame:
    """Entries of action ticket-read, a minute apart."""
    rows = [
        {
            "entry_id": f"E{i}",
            "at": AT + timedelta(minutes=i),
            "received_at": AT + timedelta(minutes=i),
            "by": "p-1",
            "action": "ticket-read",
            "target": target,
            "values": json.dumps(value),
            "withdraws": None,
        }
        for i, value in enumerate(values)
    ]
    if withdraws:
        rows.append(rows[0] | {"entry_id": "W", "withdraws": withdraws, "received_at": AT + timedelta(minutes=9)})
    schema = empty(events.EntryRows).schema
    usual = {"content_hash": "0"}
    return pl.DataFrame([{n: (usual | row).get(n) for n in schema} for row in rows], schema=schema, orient="row")


@pytest.fixture
def read(make_known: Callable[..., Known]) -> Callable[..., list[dict]]:
    def rows(entries: pl.DataFrame | None = None) -> list[dict]:
        return read_tickets(make_known(TICKETS, **({} if entries is None else {"entries": entries}))).to_dicts()

    return rows


def test_a_bare_name_that_two_sites_share_is_asked_about_and_the_answer_is_sure(read):
    assert read()[0]["site_id"] is None
    row = read(said({"site_id": "P09"}))[0]
    assert (row["site_id"], row["site_confidence"]) == ("P09", 1.0)


def test_a_unit_that_a_person_names_brings_its_site(read):
    row = read(said({"unit_id": "SC-20011"}))[0]
    assert (row["unit_id"], row["site_id"]) == ("SC-20011", "P01")


def test_a_category_that_a_person_names_leads_and_changes_the_severity(read):
    row = read(said({"category": "safety"}))[0]
    assert row["category"] == row["categories"][0] == "safety"
    assert (row["category_confidence"], row["severity"], row["decided_by"]) == (1.0, 1, "a person's answer")


def test_a_link_is_made_and_unmade(read):
    assert read(said({"same_as": "K000"}, target="K002"))[2]["same_as"] == "K000"
    both = pl.concat(
        [said({"site_id": "P09"}), said({"site_id": "P09"}, target="K001").with_columns(entry_id=pl.lit("F"))]
    )
    assert read(both)[1]["same_as"] == "K000"  # two calls about one jam, once their site is known
    apart = said({"same_as": ""}, target="K001").with_columns(entry_id=pl.lit("G"))
    assert read(pl.concat([both, apart]))[1]["same_as"] is None


def test_the_later_answer_stands_and_speaks_only_for_what_it_names(read):
    row = read(said({"site_id": "P09", "category": "seal"}, {"site_id": "P10"}))[0]
    assert (row["site_id"], row["category"]) == ("P10", "seal")


def test_an_answer_that_is_taken_back_no_longer_counts(read):
    assert read(said({"category": "safety"}, withdraws="E0"))[0] == read()[0]


@pytest.mark.parametrize(
    "values",
    [
        {"site_id": "P99"},
        {"unit_id": "nobody"},
        {"category": "weather"},
        {"same_as": "K000"},
        {"colour": 3},
        {"site_id": None, "same_as": None},
    ],
)
def test_an_answer_that_names_nothing_known_changes_nothing(read, values: dict):
    assert read(said(values)) == read()


def test_answers_that_close_a_ring_are_not_both_followed(read):
    ring = pl.concat(
        [
            said({"same_as": "K002"}),
            said({"same_as": "K000"}, target="K002").with_columns(entry_id=pl.lit("R")),
        ]
    )
    links = {row["ticket_id"]: row["same_as"] for row in read(ring)}
    assert (links["K000"], links["K002"]) == ("K002", None)
