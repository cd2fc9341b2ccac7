"""Words of a place as people cut them."""

import pytest

from pipeline.normalise.shortened import only_fit, shortened

ROSTER = (
    ("Dunmore Public Works Garage", "Dunmore Garage", "9 Salt Shed Lane", "Bay 2"),
    ("Alder Park Fieldhouse", "Fieldhouse", "1500 Alder Street", ""),
    ("Northmoor YMCA", "the Y", "22 Second Street", "Studio 1"),
    ("Marlpit Elementary School", "Marlpit Elem", "14 Tallow Lane", "Gym"),
    ("Temple Beth Ruach", "", "300 Aspen Court", "social hall"),
    ("Wendreda Church", "", "17 Tallow Lane", ""),
    ("V.F.W. Post 4417", "the VFW", "60 Route 9", ""),
    ("Engine 6 Firehouse", "", "5 Bellows Court", "truck bay"),
    ("Oxbow Chapel", "", "200 Ferry Street", ""),
)
BOOK = shortened([dict(zip(("name", "aliases", "address", "room"), row, strict=True)) for row in ROSTER])


@pytest.mark.parametrize(
    ("said", "place"),
    [
        ("Pub Wks", 0),
        ("Alder Pk", 1),
        ("N'moor YM", 2),
        ("the Y", 2),
        ("2nd Street", 2),
        ("Marlpit Elem.", 3),
        ("temple", 4),  # as the roster writes it: no other site is called so
        ("Aspen Ct", 4),
        ("Wendr Ch", 5),
        ("V.F.W. Post", 6),
        ("4417", 6),
        ("Engine Six", 7),
        ("the firehouse", 7),
        ("Garaeg on Salt Shed", 0),
    ],
)
def test_words_cut_short_tell_the_only_site_that_they_fit(said: str, place: int):
    assert only_fit(BOOK, said) == place


@pytest.mark.parametrize("said", ["Tallow Lane", "the church", "Street", "second", "Quarry", "", "N'quay"])
def test_words_of_several_sites_or_of_none_tell_no_site(said: str):
    assert only_fit(BOOK, said) is None
