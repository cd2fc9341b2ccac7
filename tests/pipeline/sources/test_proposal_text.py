"""A profile proposed, as text: it says why, hides what it must, and can be read back."""

import csv
import io
import re
import tomllib
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import SourceError
from pipeline.sources.looks import our_columns
from pipeline.sources.profile import profile_of
from pipeline.sources.proposal import Proposal, propose
from pipeline.sources.proposal_text import profile_text
from pipeline.sources.translation import closed

KINDS = ("status", "line-counts", "milestones", "outages", "units", "sites", "rovers", "reconciliation", "ballot-stock")


def columns_of(text: str) -> dict[str, str]:
    """Ours → theirs, as a proposed profile says."""
    return tomllib.loads(text)["columns"]


def proposal(data: bytes, kind: str = "tickets") -> Proposal:
    return propose(data, "x.csv", kind)


def test_a_required_column_that_nothing_fits_is_named_with_what_to_do():
    found = proposal(b"case,opened,place\n1,2026-11-03 07:00,Oxbow\n2,2026-11-03 07:05,Oxbow\n")
    text = profile_text(found)
    assert [ours.name for ours, _ in found.missing] == ["text", "status"]
    assert "status: export it, or set it for all rows under [constants]: open or assigned or resolved" in text
    assert profile_of(tomllib.loads(text), "x").columns["ticket_id"] == ("case",)


def test_columns_of_theirs_that_were_not_placed_are_listed():
    text = profile_text(
        proposal(b"case,opened,place,notes,state,weather\n1,2026-11-03 07:00,Oxbow,the door is locked,new,rain\n")
    )
    assert '#   "weather"' in text.split("Theirs that could not be placed")[1]


def test_an_optional_column_that_would_cost_rows_is_left_out_and_the_reason_given():
    data = b"unit,at,seq,batt\n" + b"".join(
        b"SC-1001,2026-11-03 07:0%d,%d,about %d\n" % (i, i, 90 - i) for i in range(5)
    )
    text = profile_text(proposal(data, "status"))
    assert "battery_percent" not in columns_of(text)
    assert '#   "batt": named like battery_percent; 0 of 5 values are numbers in range' in text


def test_a_word_that_means_nothing_to_us_is_left_to_a_person():
    rows = b"".join(
        b"%d,2026-11-03 07:0%d,Oxbow,the side door is locked,%s\n" % (i, i, w)
        for i, w in enumerate((b"new", b"done", b"new", b"zq"))
    )
    text = profile_text(proposal(b"case,opened,place,notes,state\n" + rows))
    assert tomllib.loads(text)["values"]["status"] == {"open": ["new"], "resolved": ["done"]}
    assert '# not placed: "zq", 1 row' in text


def test_a_word_misspelt_means_what_the_word_beside_it_means():
    state = next(column for column in our_columns("status") if column.name == "state")
    found = closed([("error", 3), ("eror", 1), ("taking ballots", 5), ("takng ballots", 2), ("lost", 1)], state)
    told = {ours: [word.theirs for word in many] for ours, many in found.words.items()}
    assert told == {"scanning": ["taking ballots", "takng ballots"], "fault": ["error", "eror"]}
    assert found.unknown == [("lost", 1)]


def test_no_telephone_number_is_shown_in_a_comment():
    rows = b"".join(
        b"%d,2026-11-03 07:0%d,Oxbow,the side door is locked,%s\n" % (i, i, w)
        for i, w in enumerate((b"new", b"done", b"new", b"call 303-555-0142"))
    )
    assert "0142" not in profile_text(proposal(b"case,opened,place,notes,state\n" + rows))


def test_odd_names_cannot_break_out_of_their_line():
    header = '"case ""no"" \\","opened\n[times]",place,notes,state,"kind = ""x""\nkind = 1"'
    text = profile_text(proposal(f"{header}\n1,2026-11-03 07:00,Oxbow,the door is locked,new,z\n".encode()))
    read_back = tomllib.loads(text)
    assert read_back["kind"] == "tickets" and "times" not in read_back
    assert (
        read_back["columns"]["ticket_id"] == 'case "no" \\' and read_back["columns"]["opened_at"] == "opened\n[times]"
    )


def test_every_line_of_the_profile_says_why(exports):
    header, rows, _ = exports["sites"]
    text = profile_text(propose("\n".join([header, *rows]).encode(), "x.csv", "sites"))
    lines = [line for line in text.splitlines() if line and not line.startswith(("#", "["))]
    assert len(lines) > 12 and all("  # " in line for line in lines)
    chances = [float(line.split("  # ")[1][:4]) for line in lines if "  # 0." in line or "  # 1." in line]
    assert len(chances) > 10 and all(0 <= chance <= 1 for chance in chances)


def test_the_order_of_columns_and_rows_changes_nothing(exports):
    header, rows, expected = exports["outages"]
    turned = ["|".join(reversed(line.split("|"))) for line in (header, *reversed(rows))]
    assert columns_of(profile_text(propose("\n".join(turned).encode(), "x.csv", "outages"))) == expected


CELLS = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12) | st.sampled_from(
    [
        "11/03/2026 07:05",
        "P01",
        "12",
        "n",
        "row",
        "value",
        "new",
        "2026-11-03T07:05Z",
        "1793716800",
        "",
        "7:00 AM",
        "Marlpit",
    ]
)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 5).flatmap(lambda n: st.lists(st.lists(CELLS, min_size=n, max_size=n), min_size=2, max_size=6)),
    st.sampled_from(sorted(KINDS)),
)
def test_whatever_a_table_holds_the_profile_can_be_read_back(rows: list[list[str]], kind: str):
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    try:
        found = propose(out.getvalue().encode("utf-8", "replace"), "x.csv", kind)
    except SourceError:
        return
    profile = profile_of(tomllib.loads(profile_text(found)), "x")
    theirs = [name for names in profile.columns.values() for name in names]
    assert len(set(theirs)) == len(theirs) and set(theirs) <= set(found.raw.columns)
    assert len(theirs) + len(found.spare) == len(found.raw.columns)
    assert all(0 <= placed.sure <= 1 for placed in found.placed)


def test_the_example_of_the_page_is_what_the_program_prints():
    page = (Path(__file__).parents[3] / "docs" / "PROFILES.md").read_text("utf-8")
    export = re.search(r"`export.csv`:\n\n```\n(.*?)```", page, re.S)
    profile = re.search(r"```toml\n(.*?)```", page, re.S)
    assert export and profile
    assert profile_text(propose(export[1].encode(), "export.csv", "tickets")) == profile[1]
