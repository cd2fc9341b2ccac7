"""A frame becomes the specification that is drawn."""

import json
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard import charts, day_charts, maps, theme

ZONE = "America/Chicago"
AT = datetime(2026, 11, 3, 16, 5, tzinfo=UTC)  # 10:05 in Chicago
HOURS = (AT - timedelta(hours=3), AT + timedelta(hours=10))
TIMES = {"at": pl.Datetime("us", "UTC")}


def every(spec: object, key: str) -> list:
    """All values of a key anywhere in a specification."""
    if isinstance(spec, dict):
        return [v for k, v in spec.items() if k == key] + [x for v in spec.values() for x in every(v, key)]
    return [x for v in spec for x in every(v, key)] if isinstance(spec, list) else []


def points(*rows: tuple) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=TIMES | dict.fromkeys(("median", "low", "high"), pl.Float64), orient="row")


def counts(*rows: tuple) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=TIMES | {"people": pl.Float64, "is_late": pl.Boolean}, orient="row")


def test_a_moment_is_drawn_as_the_countys_wall_clock():
    drawn = datetime.fromtimestamp(charts.wall(AT, ZONE) / 1000, UTC)
    assert (drawn.hour, drawn.minute) == (10, 5)
    assert charts.wall(None, ZONE) is None


def test_the_outlook_is_dashed_and_the_past_is_not():
    frame = points((AT - timedelta(hours=1), 3, 1, 5), (AT, 4, 2, 9), (AT + timedelta(hours=1), 5, 0, 12))
    spec = charts.line_panel(frame, counts(), AT, HOURS, HOURS, ZONE, theme.LIGHT)
    lines = [layer for layer in spec["layer"] if layer["mark"]["type"] == "line"]
    assert [len(layer["data"]["values"]) for layer in lines] == [2, 2]
    assert ["strokeDash" in layer["mark"] for layer in lines] == [False, True]


def test_the_band_is_the_interval_and_the_axis_holds_it():
    frame = points((AT, 4, 2, 9))
    spec = charts.line_panel(frame, counts((AT, 30, False)), AT, HOURS, HOURS, ZONE, theme.LIGHT)
    area = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "area")
    assert (area["encoding"]["y"]["field"], area["encoding"]["y2"]["field"]) == ("low", "high")
    assert area["mark"]["opacity"] == 0.18
    assert [0, 30.0] in every(spec, "domain")


def test_head_counts_are_whole_dots_and_those_beyond_the_axis_neither_stand_nor_stretch_it():
    early = counts((HOURS[0] - timedelta(minutes=1), 90, False), (HOURS[0], 12, False))
    spec = charts.line_panel(points((AT, 4, 2, 9)), early, AT, HOURS, HOURS, ZONE, theme.LIGHT)
    dots = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "point")
    assert [row["people"] for row in dots["data"]["values"]] == [12.0] and "clip" not in dots["mark"]
    assert [0, 12.0] in every(spec, "domain")


def test_a_head_count_that_came_late_is_hollow():
    spec = charts.line_panel(points(), counts((AT, 30, True)), AT, HOURS, HOURS, ZONE, theme.LIGHT)
    dots = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "point")
    fill = dots["encoding"]["fill"]
    assert fill["condition"]["test"] == "datum.is_late" and fill["condition"]["value"] == theme.LIGHT.paper
    assert fill["value"] != theme.LIGHT.paper


def test_the_ends_of_a_time_axis_are_never_plain_numbers():
    # Vega-Lite 6 drops a UTC axis whose ends are milliseconds, and misreads any ends on marks with two: an empty panel.
    spec = charts.empty_bars(battery_units(), AT, ZONE, theme.LIGHT)
    for layer in spec["layer"]:
        ends = layer["encoding"]["x"]["scale"].get("domain")
        assert ("x2" in layer["encoding"]) == (ends is None)
        assert ends is None or all(end["utc"] for end in ends)


def battery_units() -> pl.DataFrame:
    ends = {f"empty_at_{k}": [AT + timedelta(hours=h), None] for k, h in (("low", 1), ("mean", 2), ("high", 3))}
    return pl.DataFrame(
        {"label": ["SC-11 Hall", "SC-12 Library"], **ends, "restoration_at": [None, None]}
    ).with_columns(pl.col("restoration_at").cast(pl.Datetime("us", "UTC")))


def test_a_unit_without_a_known_end_has_no_bar():
    spec = charts.empty_bars(battery_units(), AT, ZONE, theme.LIGHT)
    bars = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "bar")
    assert [row["label"] for row in bars["data"]["values"]] == ["SC-11 Hall"]


def site(name: str, stake: float, east: float, battery: int = 0) -> dict:
    return {
        "site_id": name,
        "name": name,
        "latitude": 41.0 + east / 10,
        "longitude": -93.0 + east,
        "expected_voters": 500.0,
        "stake": stake,
        "battery": battery,
        "dark": 0,
        "state": "open",
    }


def rover(**more: object) -> dict:
    usual = {"rover_id": "R1", "doing": "free", "latitude": 41.0, "longitude": -93.2, "to": None}
    return usual | {"to_latitude": None, "to_longitude": None} | more


def test_the_map_shades_by_what_is_chosen_and_draws_the_countys_outline_beneath():
    sites = pl.DataFrame([site("A", 900, 0, battery=2), site("B", 10, 0.5)]).with_columns(tickets=pl.Series([1, 7]))
    border = {"type": "Feature", "geometry": {"type": "LineString", "coordinates": [[-93, 41], [-92, 42]]}}
    spec = maps.county_map(sites, [], theme.LIGHT, by="tickets", outline=[border])
    assert spec["layer"][0]["mark"]["type"] == "geoshape"
    dots = next(la for la in spec["layer"] if la["mark"]["type"] == "circle")
    assert {row["name"]: row["shade"] for row in dots["data"]["values"]} == {"A": 1.0, "B": 7.0}


def test_the_map_rings_sites_off_mains_and_draws_only_known_legs():
    sites = pl.DataFrame([site("A", 900, 0, battery=2), site("B", 10, 0.5)])
    going = rover(rover_id="R3", doing="under way", to="B", to_latitude=41.05, to_longitude=-92.5)
    spec = maps.county_map(sites, [rover(), rover(rover_id="R2", doing="off shift"), going], theme.LIGHT)
    ring = next(la for la in spec["layer"] if la["mark"]["type"] == "point")
    assert [row["name"] for row in ring["data"]["values"]] == ["A"]
    legs = next(la for la in spec["layer"] if la["mark"]["type"] == "rule")
    assert [row["rover_id"] for row in legs["data"]["values"]] == ["R3"]
    squares = next(la for la in spec["layer"] if la["mark"]["type"] == "square")
    assert [row["rover_id"] for row in squares["data"]["values"]] == ["R1", "R3"]
    assert "url" not in json.dumps(spec)  # nothing is fetched


def test_the_map_rings_the_sites_of_a_circuit_that_is_out_and_names_it_in_their_middle():
    places = [site("A", 9, 0), site("B", 8, 1.0), site("C", 7, 2.0)]
    sites = pl.DataFrame(places).with_columns(circuit=pl.Series(["F1", "F1", "F2"]))
    layers = maps.county_map(sites, [], theme.LIGHT, out={"F1"})["layer"]
    ring = next(la for la in layers if la["mark"].get("strokeDash"))
    assert sorted(row["name"] for row in ring["data"]["values"]) == ["A", "B"]
    said = [r for la in layers if la["mark"]["type"] == "text" for r in la["data"]["values"] if r.get("said")]
    assert [(r["said"], r["longitude"]) for r in said] == [("F1 out", -92.5)]
    assert not any(la["mark"].get("strokeDash") for la in maps.county_map(sites, [], theme.LIGHT)["layer"])


def test_what_has_no_rows_is_no_mark_that_would_be_read_out_without_a_name():
    spec = maps.county_map(pl.DataFrame([site("A", 0, 0)]), [], theme.LIGHT)
    assert [la["mark"]["type"] for la in spec["layer"]] == ["circle"]
    line = charts.line_panel(points((AT, 4, 2, 9)), counts(), AT, HOURS, HOURS, ZONE, theme.LIGHT)
    assert all(la["data"]["values"] for la in line["layer"])


def test_the_map_marks_danger_and_suspended_voting_with_a_shape_and_a_word_however_little_is_at_stake():
    held = [site("A", 0.0, 0.0) | {"state": "danger reported"}, site("B", 0.0, 1.0) | {"state": "suspended"}]
    layers = maps.county_map(pl.concat([many_sites(1000), pl.DataFrame(held)]), [], theme.LIGHT)["layer"]
    shapes = {la["mark"].get("shape"): la for la in layers if la["mark"]["type"] == "point"}
    assert [row["name"] for row in shapes["triangle-up"]["data"]["values"]] == ["A"]
    assert shapes["triangle-up"]["mark"]["fill"] == theme.LIGHT.danger
    assert [row["name"] for row in shapes["diamond"]["data"]["values"]] == ["B"]
    said = [r.get("state") for la in layers if la["mark"]["type"] == "text" for r in la["data"]["values"]]
    assert "danger reported" in said and "suspended" in said


def test_names_on_the_map_never_lie_on_each_other():
    close = [*(site(f"Place number {n}", 100 - n, n * 1e-4) for n in range(5)), site("Far away", 1, 9.0)]
    degree = maps.degrees([s["latitude"] for s in close], 400)
    assert [s["name"] for s in maps.readable(close, [], degree)] == ["Place number 0", "Far away"]
    apart = [site(f"Place number {n}", 100 - n, n * 4.0) for n in range(3)]
    assert len(maps.readable(apart, [], maps.degrees([s["latitude"] for s in apart], 400))) == 3


def many_sites(number: int) -> pl.DataFrame:
    """Sites of rising stake; the first ten have units off mains."""
    return pl.DataFrame([site(f"P{n}", float(n), n * 1e-3, battery=int(n < 10)) for n in range(number)])


def test_of_very_many_sites_the_darkest_are_dots_of_their_own_and_all_others_are_still_on_the_map():
    sites = many_sites(5000)
    spec = maps.county_map(sites, [], theme.LIGHT)
    dots = next(la for la in spec["layer"] if la["mark"]["type"] == "circle")
    own = [row["name"] for row in dots["data"]["values"]]
    assert own == [f"P{n}" for n in range(5000 - maps.DRAWN, 5000)]
    far, off = (la for la in spec["layer"] if la["mark"]["type"] == "geoshape")
    places = [tuple(place) for shape in far["data"]["values"] for place in shape["geometry"]["coordinates"]]
    left = sites.filter(~pl.col("name").is_in(own))
    assert sorted(places) == sorted(left.select(pl.col("longitude", "latitude").round(4)).rows())
    assert sum(len(shape["geometry"]["coordinates"]) for shape in off["data"]["values"]) == 10
    shades = [shape["properties"]["shade"] for shape in far["data"]["values"]]
    assert shades == sorted(shades) and len(shades) <= maps.SHADE_STEPS
    ends = [la["encoding"]["color"]["scale"]["domain"] for la in (far, off, dots)]
    assert ends == [[0, 4999.0]] * 3
    assert len(json.dumps(spec)) < 300_000  # 5,000 dots of their own took a million


def test_a_map_of_a_few_hundred_sites_has_no_small_dots_and_says_nothing_of_them():
    spec = maps.county_map(many_sites(maps.DRAWN), [], theme.LIGHT)
    assert [la["mark"]["type"] for la in spec["layer"]] == ["point", "circle", "text"]
    assert maps.others_said(maps.DRAWN) == "" and "the other 4,700" in maps.others_said(5000)


def test_rovers_are_named_on_the_map_only_where_their_names_can_be_read():
    def names(number: int) -> list[str]:
        rovers = [rover(rover_id=f"R{n}", longitude=-93.2 + n) for n in range(number)]
        layers = maps.county_map(pl.DataFrame([site("A", 0, 0)]), rovers, theme.LIGHT)["layer"]
        assert sum(len(la["data"]["values"]) for la in layers if la["mark"]["type"] == "square") == number
        return [row["rover_id"] for la in layers if la["mark"]["type"] == "text" for row in la["data"]["values"]]

    assert len(names(maps.ROVERS_NAMED)) == maps.ROVERS_NAMED and names(maps.ROVERS_NAMED + 1) == []


@pytest.mark.parametrize("totals", [(100.0, 100.0, 100.0), (5.0, 100.0, 6.0)])
def test_names_of_counters_are_apart(totals: tuple[float, ...]):
    ends = day_charts.apart([{"unit_id": f"U{n}", "total": t} for n, t in enumerate(totals)])
    heights = sorted(end["label_at"] for end in ends)
    assert all(b - a >= 100 * day_charts.NAME_SHARE - 1e-9 for a, b in zip(heights, heights[1:], strict=False))
    assert all(end["label_at"] >= end["total"] for end in ends)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C 2023), definition of `relative luminance`."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definition of `contrast ratio`."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colours", [theme.LIGHT, theme.DARK], ids=["light", "dark"])
def test_text_and_marks_stand_out_from_the_paper(colours: theme.Palette):
    # WCAG 2.2, 1.4.3 and 1.4.11: 4.5 to 1 for text, 3 to 1 for marks
    for text in (colours.ink, colours.faint, colours.accent, colours.danger):
        assert contrast(text, colours.paper) >= 4.5, text
    for mark in (colours.estimate, *colours.stakes[2:]):
        assert contrast(mark, colours.paper) >= 3, mark
    steps = [luminance(c) for c in colours.stakes]
    assert steps == sorted(steps) or steps == sorted(steps, reverse=True)  # told apart in grey print
