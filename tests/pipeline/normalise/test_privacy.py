"""What is masked in free text, and what has to stay."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.normalise.privacy import COUNTED_ANY_CASE, is_counted, is_of_people, mask_texts

# Ways in which a North American number is written. 555-0100 to 555-0199 are kept for fiction (NANPA), so no line rings.
PHONES = (
    "(555) 555-0142",
    "(555)555-0142",
    "(555)5550142",
    "( 555 ) 555-0142",
    "555-555-0142",
    "555.555.0142",
    "555 555 0142",
    "555/555-0142",
    "5555550142",
    "15555550142",
    "1-555-555-0142",
    "1 (555) 555-0142",
    "1.555.555.0142",
    "+1 555 555 0142",
    "+1 (555) 555-0142",
    "+1-555-555-0142",
    "+15555550142",
    "+44 20 7946 0958",
    "555-0142",
    "555.0142",
    "555 - 0142",
    "555\u20130142",
    "555 0142",
    "5550142",
    "555-0142 x17",
    "555-555-0142 ext. 179",
    "x0179",
    "x179",
    "ext 0179",
    "ext. 12",
    "Ext: 179",
    "extension 0179",
    "five five five, oh one four two",
)
# Not telephone numbers: ids, times, counts, seals, streets, precincts.
KEPT = (
    "SC-03841",
    "T00012",
    "PB-03847 and PB-03848 frozen",
    "opened 10:15, called 7:42a",
    "since 1222",
    "13.32 outage",
    "2026-11-03T06:14:42-07:00",
    "seal 1234567",
    "seal # 2345678",
    "seals 234567 and 2345679",
    "seal number is 2345679",
    "tag no. 7654321 torn",
    "serial 73519272",
    "counter says 2345678",
    "total 412 of 1200 ballots",
    "400-1200 ballots left",
    "5139 Juniper Court",
    "2563 Briar Dr Activity Room",
    "pct 019-2",
    "Pct 44-A",
    "precinct 210-1234",
    "x2 printers",
    "39.95276, -106.22668",
    "17 x 11 paper",
    "error 207, then 5023",
)


@pytest.mark.parametrize("phone", PHONES)
@pytest.mark.parametrize("frame", ["scanner is stuck, call {}", "{} call back please", "cb # {} (front desk)"])
def test_a_telephone_number_is_masked_however_it_is_written(phone: str, frame: str):
    assert mask_texts([frame.format(phone)], [None]) == [frame.format("[phone]")]


@pytest.mark.parametrize("text", KEPT)
def test_ids_times_counts_seals_streets_and_precincts_stay(text: str):
    assert mask_texts([text], [None]) == [text]


def test_seven_bare_digits_need_a_word_that_says_telephone():
    texts = ["call 2345678", "the number is 2345678", "ph: 2345678", "we have 2345678 here"]
    assert mask_texts(texts, [None] * 4) == [
        "call [phone]",
        "the number is [phone]",
        "ph: [phone]",
        "we have 2345678 here",
    ]


@pytest.mark.parametrize("address", ["desk@example.org", "a.b+c@mail.example.co", "O'Hara-Lee@example.com"])
def test_an_address_is_masked(address: str):
    assert mask_texts([f"mail {address} please"], [None]) == ["mail [email] please"]


@pytest.mark.parametrize(
    ("name", "text", "masked"),
    [
        ("Verhoek, Anneke", "Anneke at the door. Verhoek", "[name] at the door. [name]"),
        ("Verhoek, Anneke", "ask for Verhoek, Anneke", "ask for [name]"),
        ("A. Verhoek", "caller A. Verhoek", "caller [name]"),
        ("Judge Verhoek", "judge verhoek says it jams", "judge [name] says it jams"),
        ("ANNEKE VERHOEK", "jam, anneke verhoek", "jam, [name]"),
        ("anneke verhoek-dunn", "jam (Anneke Verhoek-Dunn)", "jam ([name])"),
        ("Anneke V.", "ask for Anneke V.", "ask for [name]"),
        ("Anneke", "jam; Anneke's line is 555-0142", "jam; [name]'s line is [phone]"),
        ("Bo", "scanner down (Bo)", "scanner down ([name])"),
        ("Bo; Anneke Verhoek", "scanner down (Bo)", "scanner down ([name])"),
        ("Hall, Grace", "Fellowship Hall is dark - Grace Hall", "Fellowship Hall is dark - [name]"),
        ("May", "voters may leave, caller May", "voters may leave, caller [name]"),
        ("Chief Judge", "chief judge says the clerk knows", "chief judge says the clerk knows"),
        ("", "nobody named", "nobody named"),
    ],
)
def test_the_rows_own_caller_is_masked_and_roles_and_ordinary_words_stay(name: str, text: str, masked: str):
    assert mask_texts([text], [name]) == [masked]


@pytest.mark.parametrize(
    ("text", "masked"),
    [
        ("ask for Imre Castellan", "ask for [name]"),
        ("spoke w/ Judge Imre Castellan, line is fine", "spoke w/ Judge [name], line is fine"),
        ("per Chief Castellan: line is long", "per Chief [name]: line is long"),
        ("Mrs. Castellan fell", "Mrs. [name] fell"),
        ("Dr. Castellan says no", "Dr. [name] says no"),
        ("Imre Castellan calling, scanner jam", "[name] calling, scanner jam"),
        ("voter Imre Castellan was turned away", "voter [name] was turned away"),
        ("jam. Imre Castellan 555-0142", "jam. [name] [phone]"),
        ("Caller upset, Per Oak Street Library", "Caller upset, Per Oak Street Library"),
        ("Judge says Scanner Down", "Judge says Scanner Down"),
        ("Hi, Imre Castellan here", "Hi, [name] here"),
        ("Hi Castellan, jam again", "Hi [name], jam again"),
        ("Hi, Wheelchair voter cannot get in", "Hi, Wheelchair voter cannot get in"),
        ("Hi, Half the hall is dark", "Hi, Half the hall is dark"),
        ("ask for Hatch", "ask for [name]"),
        ("spoke w/ judge, BMD needs paper", "spoke w/ judge, BMD needs paper"),
    ],
)
def test_a_name_that_the_words_introduce_is_masked(text: str, masked: str):
    assert mask_texts([text], [None]) == [masked]


def test_nothing_stays_nothing():
    assert mask_texts([None, ""], ["Verhoek", None]) == [None, ""]


@given(st.lists(st.tuples(st.text(max_size=60), st.one_of(st.none(), st.text(max_size=20))), max_size=8))
def test_a_row_is_masked_by_itself_alone(rows: list[tuple[str, str | None]]):
    together = mask_texts([t for t, _ in rows], [n for _, n in rows])
    assert together == [mask_texts([t], [n])[0] for t, n in rows]


@given(st.text(alphabet="abcdefg 0159-.()x#:", max_size=60))
def test_masking_twice_changes_nothing_more(text: str):
    once = mask_texts([text], [None])
    assert mask_texts(once, [None]) == once


def test_a_signature_at_the_end_is_a_name_and_a_place_is_not():
    texts = [
        "The screen is off by an inch. - Bram Oxley",
        "jam again — Jo M. Tarn",
        "line out the door - Oak Street Library",
    ]
    assert mask_texts(texts, [None] * 3) == ["The screen is off by an inch. - [name]", "jam again — [name]", texts[2]]


@pytest.mark.parametrize("name", ["Imre Castellan", "Jo Ann Verhoek", "Hazel Verhoek", "R. Castellan", "Bo O'Hare"])
def test_whoever_is_said_to_speak_is_a_name(name: str):
    assert mask_texts([f"{name}: no electricity here"], [None]) == ["[name]: no electricity here"]


@pytest.mark.parametrize(
    "head",
    ["Paper Jam", "Power Outage", "Oak Grove", "Hazel Fork Lodge", "Tamber Hall", "Urgent Update", "Screen Frozen"],
)
def test_a_trouble_or_a_place_before_a_colon_stays(head: str):
    assert mask_texts([f"{head}: no electricity here"], [None]) == [f"{head}: no electricity here"]


@pytest.mark.parametrize(
    "header", ["Called in by", "callerName", "Contact phone", "Entered_By", "CALLBACK", "Judge", "first name"]
)
def test_a_header_of_people_is_known(header: str):
    assert is_of_people(header)


@pytest.mark.parametrize(
    "header", ["Polling place name", "weather", "desk", "Unit name", "reported at", "Priority", "Status"]
)
def test_a_header_of_things_is_not_of_people(header: str):
    assert not is_of_people(header)


BEFORE = [
    "seal",
    "tags ",
    "s/n",
    "is ",
    "at",
    "12",
    "-",
    ". ",
    "and ",
    "or",
    "the ",
    "ask ",
    "No ",
    "é",
    "tab\t",
    "on\n",
    " ",
]


@given(st.lists(st.sampled_from(BEFORE), max_size=7).map("".join))
def test_the_last_word_before_digits_settles_only_what_the_whole_form_would_say(before):
    assert is_counted(before) == bool(COUNTED_ANY_CASE.search(before))
