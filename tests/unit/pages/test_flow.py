"""Goal: the flow picture shows the same figures as the table beneath it, to scale, for eyes and for screen readers.

Method: the SVG parsed as XML; the thickness of every band measured from its path and compared with its weight;
names of any length, script and markup; random flows; the classes it uses looked up in the style sheet.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.quantities import kg_text
from service.labels.lettering import width_em
from service.pages.flow import BANDS_MAX, COLOURS, FlowIn, FlowPicture, NothingToDraw, flow_picture

SVG = "{http://www.w3.org/2000/svg}"
SHEET = (Path(__file__).parents[3] / "service" / "pages" / "static" / "site.css").read_text(encoding="utf-8")
PATH = re.compile(
    r"M(?P<x1>[\d.]+) (?P<top1>[\d.]+)C[\d.]+ [\d.]+ [\d.]+ [\d.]+ (?P<x2>[\d.]+) (?P<top2>[\d.]+)V(?P<bottom2>[\d.]+)"
    r"C[\d.]+ [\d.]+ [\d.]+ [\d.]+ (?P<back>[\d.]+) (?P<bottom1>[\d.]+)Z"
)
BAR_HEIGHT = 320
NAMES = {
    "long": "W" * 200,
    "long words": "Municipal collection of the upper valley " * 5,
    "right to left": "مركز جمع القوارير في المدينة الجديدة " * 6,
    "markup": """<script>alert("x")</script> & 'so' ]]> --""",
    "turned around": "clear\u202eEVIL\u202c\u0000\u001b",
    "empty": "",
}


def mass(grams: int) -> str:
    return f"{kg_text(grams)} kg"


def flow(label: str, grams: int, *, is_rest: bool = False) -> FlowIn:
    return FlowIn(label, mass(grams), grams, is_rest)


def drawn(sources: list[FlowIn], destinations: list[FlowIn] | None = None, lot_g: int | None = None) -> FlowPicture:
    total = sum(source.weight for source in sources)
    lot = flow("Pellet lot Q2ZTM ZMYEJ", total if lot_g is None else lot_g)
    return flow_picture(lot, sources, destinations or [], weight_text=mass)


def ribbons(picture: FlowPicture) -> list[tuple[str, dict[str, float]]]:
    """Class and places of every band, in the order in which they are drawn."""
    found = []
    for path in ET.fromstring(picture.svg).findall(f"{SVG}path"):
        match = PATH.fullmatch(path.attrib["d"])
        assert match is not None
        found.append((path.attrib["class"], {name: float(place) for name, place in match.groupdict().items()}))
    return found


def texts(picture: FlowPicture) -> list[str]:
    return [text.text or "" for text in ET.fromstring(picture.svg).findall(f"{SVG}text")]


THREE = [flow("Hillside", 3_000_000), flow("Nordhafen", 5_000_000), flow("Elmstadt", 2_000_000)]


def test_bands_are_to_scale_and_fill_the_bar():
    places = [place for _, place in ribbons(drawn(THREE))]
    assert [place["bottom2"] - place["top2"] for place in places] == [160, 96, 64]
    assert [place["bottom1"] - place["top1"] for place in places] == [160, 96, 64]
    assert places[0]["top2"] + BAR_HEIGHT == places[-1]["bottom2"]
    for above, below in pairwise(places):
        assert above["bottom2"] == below["top2"]


def test_largest_first_and_figures_as_given():
    picture = drawn(THREE)
    assert [(band.label, band.mass_text, band.weight) for band in picture.sources] == [
        ("Nordhafen", "5000.000 kg", 5_000_000),
        ("Hillside", "3000.000 kg", 3_000_000),
        ("Elmstadt", "2000.000 kg", 2_000_000),
    ]
    for band in picture.sources:
        assert {band.label, band.mass_text} <= set(texts(picture))
    assert {"Pellet lot Q2ZTM ZMYEJ", "10000.000 kg"} <= set(texts(picture))


def test_destinations_lie_at_the_other_side_of_the_bar_to_the_same_scale():
    outs = [flow("Bag 1", 6_000_000), flow("Still in the lot", 2_500_000, is_rest=True)]
    picture = drawn(THREE, outs)
    *_, bag, rest = ribbons(picture)
    assert bag[1]["bottom2"] - bag[1]["top2"] == 192
    assert rest[1]["bottom2"] - rest[1]["top2"] == 80
    bar = next(rect for rect in ET.fromstring(picture.svg).findall(f"{SVG}rect") if rect.get("class") == "lot")
    right_edge = float(bar.attrib["x"]) + float(bar.attrib["width"])
    assert bag[1]["x2"] == rest[1]["x2"] == right_edge < bag[1]["x1"]
    assert ribbons(picture)[0][1]["x2"] == float(bar.attrib["x"])
    assert [band.label for band in picture.destinations] == ["Bag 1", "Still in the lot"]


def test_a_lot_that_holds_more_than_its_sources_leaves_a_part_of_the_bar_empty():
    places = [place for _, place in ribbons(drawn(THREE, lot_g=20_000_000))]
    assert places[-1]["bottom2"] - places[0]["top2"] == BAR_HEIGHT / 2


def test_what_nothing_explains_is_hatched_last_and_named():
    picture = drawn([flow("Unattributed", 9_000_000, is_rest=True), *THREE])
    assert [band.label for band in picture.sources][-1] == "Unattributed"
    path = ET.fromstring(picture.svg).findall(f"{SVG}path")[-1]
    pattern = ET.fromstring(picture.svg).find(f"{SVG}pattern")
    assert pattern is not None
    assert path.attrib["class"] == "rest"
    assert path.attrib["fill"] == f"url(#{pattern.attrib['id']})"
    assert "Unattributed" in texts(picture)
    assert drawn(THREE).svg.count("pattern") == 0


@pytest.mark.parametrize("count", [1, BANDS_MAX, BANDS_MAX + 1, 300])
def test_the_smallest_are_drawn_as_one_whose_figures_are_their_sum(count: int):
    sources = [flow(f"Supplier {number}", 1_000 * number) for number in range(1, count + 1)]
    picture = drawn(sources)
    assert len(picture.sources) == min(count, BANDS_MAX)
    members = [member for band in picture.sources for member in band.members]
    assert sorted(members, key=lambda member: member.weight) == sources
    for band in picture.sources:
        assert band.weight == sum(member.weight for member in band.members)
        assert band.mass_text == mass(band.weight)
    if count > BANDS_MAX:
        smaller = picture.sources[-1]
        assert smaller.label == f"{count - BANDS_MAX + 1} smaller"
        assert len(picture.sources) - 1 == 13
        assert max(member.weight for member in smaller.members) < picture.sources[-2].weight
        assert smaller.label in texts(picture)


def test_equal_masses_stand_in_the_order_of_their_names():
    sources = [flow(name, 1_000) for name in "CAB"]
    assert [band.label for band in drawn(sources).sources] == ["A", "B", "C"]
    assert drawn(sources).svg == drawn(sources[::-1]).svg


def test_neighbours_have_different_colours():
    picture = drawn([flow(f"Supplier {number:02}", 1_000) for number in range(40)])
    classes = [css_class for css_class, _ in ribbons(picture)]
    assert len(classes) == BANDS_MAX
    assert set(classes) == set(COLOURS)
    assert all(above != below for above, below in pairwise(classes))
    assert classes == [band.css_class for band in picture.sources]


def test_what_is_there_is_seen_and_what_weighs_nothing_is_named_without_a_band():
    picture = drawn([flow("Nearly all", 10**10), flow("A trace", 1), flow("Nothing", 0)])
    places = [place for _, place in ribbons(picture)]
    assert [place["bottom1"] - place["top1"] for place in places] == pytest.approx([BAR_HEIGHT, 1], abs=0.11)
    assert {"A trace", "Nothing", "0.000 kg"} <= set(texts(picture))


def test_picture_is_named_and_described_for_screen_readers():
    outs = [flow("Bag 1", 10_000_000)]
    lot = flow("Pellet lot Q2ZTM ZMYEJ", 10_000_000)
    root = ET.fromstring(flow_picture(lot, THREE, outs, weight_text=mass, picture_id="behind").svg)
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert root.get("role") == "img"
    assert (root.get("aria-labelledby"), root.get("aria-describedby")) == (title.get("id"), description.get("id"))
    assert title.text == "Mass flow of Pellet lot Q2ZTM ZMYEJ"
    assert description.text == (
        "Pellet lot Q2ZTM ZMYEJ, 10000.000 kg. From Nordhafen, 5000.000 kg; Hillside, 3000.000 kg; "
        "Elmstadt, 2000.000 kg. To Bag 1, 10000.000 kg."
    )
    assert [element.get("id") for element in root.iter() if element.get("id")] == ["behind-title", "behind-desc"]


def test_two_pictures_of_one_page_share_no_id():
    sources = [*THREE, flow("Rest", 5, is_rest=True)]
    lot = flow("Lot", 10_000_005)
    ids = [
        re.findall(r' id="([^"]+)"', flow_picture(lot, sources, weight_text=mass, picture_id=picture_id).svg)
        for picture_id in ("one", "two")
    ]
    assert len(set(ids[0] + ids[1])) == len(ids[0]) + len(ids[1]) == 6


def inside(svg: str) -> None:
    """Every text ends where its room ends: names before their masses, all of it before the edge."""
    root = ET.fromstring(svg)
    _, _, width, height = map(int, root.attrib["viewBox"].split(" "))
    ends = []
    for text in root.findall(f"{SVG}text"):
        length = width_em(text.text or "") * float(text.attrib["font-size"])
        x, anchor = float(text.attrib["x"]), text.get("text-anchor", "start")
        # Read from the right, a text begins at its right end.
        if text.get("direction") == "rtl":
            anchor = {"start": "end", "end": "start"}.get(anchor, anchor)
        left = {"start": x, "middle": x - length / 2, "end": x - length}[anchor]
        ends.append((left, left + length, float(text.attrib["y"])))
        assert left >= -0.01
        assert left + length <= width + 0.01
        assert float(text.attrib["font-size"]) * 0.7 <= float(text.attrib["y"]) <= height - 3
    for place, (left, right, baseline) in enumerate(ends):
        for other_left, other_right, other_baseline in ends[place + 1 :]:
            assert abs(baseline - other_baseline) >= 15 or right <= other_left + 0.01 or other_right <= left + 0.01


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
@pytest.mark.parametrize("both_sides", [True, False])
def test_no_name_breaks_the_picture(name: str, both_sides: bool):
    outs = [flow(name, 4_000_000), flow(name, 6_000_000, is_rest=True)] if both_sides else []
    picture = flow_picture(flow(name, 10_000_000), [flow(name, 1_000_000), *THREE], outs, weight_text=mass)
    inside(picture.svg)
    assert "\u202e" not in picture.svg
    assert "<script" not in picture.svg
    tags = {element.tag.removeprefix(SVG) for element in ET.fromstring(picture.svg).iter()}
    assert tags <= {"svg", "title", "desc", "pattern", "path", "rect", "text"}


def test_a_cut_name_ends_in_an_ellipsis_and_stands_whole_at_its_band():
    name = "Municipal collection of the upper valley, second depot"
    picture = drawn([flow(name, 1_000_000)], [flow("Bag 1", 1_000_000)])
    (cut,) = [words for words in texts(picture) if words.endswith("…")]
    assert name.startswith(cut.removesuffix("…"))
    assert f"<title>{name}, 1000.000 kg</title>" in picture.svg
    assert picture.sources[0].label == name


def test_right_to_left_names_are_marked_so():
    picture = flow_picture(flow("مصنع", 1_000), [flow("مركز", 1_000)], weight_text=mass)
    turned = [text.text for text in ET.fromstring(picture.svg).iter(f"{SVG}text") if text.get("direction") == "rtl"]
    assert turned == ["مركز", "مصنع"]


def test_nothing_in_it_needs_a_style_or_a_script_of_its_own():
    picture = drawn([*THREE, flow("Rest", 700_000, is_rest=True)], THREE)
    for element in ET.fromstring(picture.svg).iter():
        assert not set(element.attrib) & {"style", "href", "onload", "onclick"}
        assert "#" not in element.get("fill", "").replace("url(#", "")
        assert element.tag not in {f"{SVG}style", f"{SVG}script"}


@given(
    st.lists(st.integers(0, 10**12), min_size=1, max_size=40).filter(any),
    st.lists(st.integers(0, 10**12), max_size=20),
    st.one_of(st.none(), st.integers(0, 10**12)),
)
def test_any_flow_is_drawn_within_its_box(sources: list[int], outs: list[int], rest: int | None):
    flows = [flow(f"Supplier {number}", grams) for number, grams in enumerate(sources)]
    flows += [] if rest is None else [flow("Unattributed", rest, is_rest=True)]
    picture = drawn(flows, [flow(f"Bag {number}", grams) for number, grams in enumerate(outs)])
    inside(picture.svg)
    assert sum(band.weight for band in picture.sources) == sum(one.weight for one in flows)
    assert sum(band.weight for band in picture.destinations) == sum(outs)
    scale = max(sum(one.weight for one in flows), sum(outs))
    drawn_bands = [band for band in (*picture.sources, *picture.destinations) if band.weight]
    height = int(ET.fromstring(picture.svg).attrib["viewBox"].split(" ")[3])
    for band, (_, place) in zip(drawn_bands, ribbons(picture), strict=True):
        exact = BAR_HEIGHT * band.weight / scale
        # A tenth of a unit by cutting at each end; and no band is thinner than one unit.
        assert place["bottom1"] - place["top1"] == pytest.approx(max(exact, 1), abs=0.11)
        assert place["bottom2"] - place["top2"] == pytest.approx(place["bottom1"] - place["top1"])
        assert place["bottom1"] <= height
        assert place["bottom2"] <= height


def test_a_year_of_suppliers_is_a_small_picture():
    picture = drawn([flow(f"Supplier {number:04}", 1_000 + number) for number in range(2_000)])
    assert len(picture.svg) < 10_000


def test_a_flow_without_mass_is_refused():
    with pytest.raises(NothingToDraw, match="expected a source of 'Pellet lot Q2ZTM ZMYEJ' with a mass, got none"):
        drawn([flow("Nobody", 0)])
    with pytest.raises(NothingToDraw):
        drawn([])


def test_a_negative_mass_is_refused():
    with pytest.raises(ValueError, match="expected 0 or more for 'Hillside', got -1"):
        flow("Hillside", -1)


@pytest.mark.parametrize("css_class", [*COLOURS, "lot", "rest", "hatch"])
def test_the_style_sheet_paints_every_class_with_a_token(css_class: str):
    assert re.search(rf"\.flow \.{css_class}[ ,][^}}]*(fill|stroke): var\(--[a-z0-9-]+\);", SHEET)
