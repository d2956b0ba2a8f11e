"""Contradictions between values that are each valid by themselves."""

import pytest

from wallguard.base.errors import InputError
from wallguard.documents.reading import Mapping, parse_document
from wallguard.rules.fields import RULE_FILE
from wallguard.rules.load import load_rules
from wallguard.rules.relations import relations

BEADS = {
    "width": "0.45",
    "contours": "2",
    "smallest_wall": "0.3",
    "squeeze": "0.1",
    "smallest_fill": "0.3",
}


def document(text: str, category: str = "material extrusion", **beads: str) -> Mapping:
    head = f"wallguard: 1\nname: x\nprocess: {{category: {category}}}\n"
    if "layer_height" not in text:
        head += "layer_height: 0.2\n"
    if beads:
        head += f"beads: {{{', '.join(f'{key}: {value}' for key, value in beads.items())}}}\n"
    made = parse_document(head + text, "r.yaml")
    assert list(RULE_FILE.problems(made)) == []
    return made


def texts(made: Mapping) -> list[str]:
    return [problem.text for problem in relations(made)]


def with_beads(text: str = "", **beads: str) -> list[str]:
    return texts(document(text, **{**BEADS, **beads}))


def with_bands(*bands: str, beads: bool = False) -> list[str]:
    rows = "".join(f"  - {{{band}}}\n" for band in bands)
    return texts(document("bands:\n" + rows, **(BEADS if beads else {})))


def test_beads_neither_lie_apart_nor_share_all_their_width() -> None:
    for said in ("from volume", "width", "0.45", "0.3"):
        assert with_beads(spacing=said) == []
    assert with_beads(single_bead="false", between_one_and_two="one bead") == [
        "`beads.between_one_and_two` is `one bead`, and `single_bead` is false: no wall gets one "
        "bead alone"
    ]
    assert with_beads(spacing="0.46") == [
        "`beads.spacing` is 0.46, above `width`, 0.45: beads would not touch"
    ]
    assert with_beads(spacing="0.1", width_varies="[0.3, 0.7]") == [
        "`beads.spacing` is 0.1 and `width` 0.45: they share 0.35 mm, and the narrowest bead is "
        "0.3 wide"
    ]


def test_plain_bead_settings_contradict_nothing() -> None:
    assert with_beads("minimum: {wall: {fail: 0.8, warn: 0.8}}\n") == []
    assert with_beads(width_varies="[0.3, 0.7]") == []
    assert with_beads(width_varies="false") == []
    assert with_beads(squeeze="0.3", smallest_fill="0.3") == []


def test_a_warning_below_the_failure_would_never_warn() -> None:
    found = with_beads("minimum: {wall: {fail: 1.2, warn: 0.8}, gap: {fail: 1, warn: 0}}\n")
    assert found == ["`minimum.wall.warn` is 0.8, below `fail`, 1.2: it would never warn"]


def test_bead_bounds_hold_the_width_in_order() -> None:
    assert with_beads(width_varies="[0.7, 0.3]") == [
        "`beads.width_varies`: 0.7 is not below 0.3",
    ]
    assert with_beads(width_varies="[0.5, 0.7]") == [
        "`beads.width` is 0.45, outside `width_varies`, 0.5 to 0.7",
    ]


def test_a_bead_is_as_wide_as_it_is_high() -> None:
    expected = (
        "`layer_height` is 0.4, above the narrowest bead, 0.3 wide: "
        "a bead is at least as wide as it is high"
    )
    assert with_beads("layer_height: 0.4\n", width_varies="[0.3, 0.7]") == [expected]
    assert with_beads("layer_height: 0.4\n") == []
    assert len(with_beads("layer_height: 0.46\n")) == 1


def test_a_left_over_is_squeezed_or_filled() -> None:
    found = with_beads(squeeze="0.2", smallest_fill="0.15")
    assert found == [
        "`beads.smallest_fill` is 0.15, below `squeeze`, 0.2: "
        "a left-over is either squeezed shut or filled",
    ]


def test_extrusion_says_how_walls_come_out() -> None:
    missing = ["neither `beads` nor `bands` says how walls come out"]
    assert texts(document("")) == missing
    assert texts(document("bands: []\n")) == missing
    assert texts(document("", "vat photopolymerization")) == []
    assert texts(document("", "powder bed fusion")) == []


@pytest.mark.parametrize("category", ["vat photopolymerization", "powder bed fusion"])
def test_only_extrusion_lays_beads(category: str) -> None:
    assert texts(document("", category, **BEADS)) == [f"`beads`: {category} lays no beads"]


def test_whole_band_tables_pass_in_any_order() -> None:
    assert with_bands("from: 0, to: 1, fill: missing", "from: 1, fill: solid") == []
    assert with_bands("from: 1, fill: solid", "from: 0, to: 1, fill: missing") == []


def test_bands_that_overlap_are_refused_even_over_bead_settings() -> None:
    for beads in (False, True):
        assert with_bands(
            "from: 0, to: 1.2, fill: missing", "from: 1, fill: solid", beads=beads
        ) == ["`bands`: the band from 1 overlaps the one from 0 to 1.2 in line "
              f"{7 if beads else 6}"]  # fmt: skip
    assert with_bands("from: 0, fill: missing", "from: 1, fill: solid") == [
        "`bands`: the band from 1 overlaps the one from 0 without end in line 6"
    ]
    assert "overlaps" in with_bands("from: 0, fill: solid", "from: 0, fill: solid")[0]


def test_a_hole_between_bands_needs_bead_settings_to_fill_it() -> None:
    bands = ("from: 0.1, to: 1, fill: missing", "from: 1.5, to: 3, fill: solid")
    assert with_bands(*bands) == [
        "`bands`: nothing says how walls from 0 to 0.1 mm come out",
        "`bands`: nothing says how walls from 1 to 1.5 mm come out",
        "`bands`: nothing says how walls of 3 mm and more come out",
    ]
    assert with_bands(*bands, beads=True) == []


def test_a_band_ends_above_where_it_begins() -> None:
    for end in ("0.5", "1"):
        assert with_bands(f"from: 1, to: {end}, fill: solid") == [
            f"`bands`: the band from 1 ends at {end}: `to` is not above `from`"
        ]


def test_a_band_says_only_what_its_fill_allows() -> None:
    assert with_bands("from: 0, fill: missing, printed: 1") == [
        "`bands`: `printed` says nothing about a missing wall"
    ]
    assert with_bands("from: 0, fill: solid, printed: 1, solid_width: 0.9") == [
        "`bands`: `solid_width` says nothing about a solid wall"
    ]
    assert with_bands("from: 0, fill: hollow, printed: 1, solid_width: 0.9") == []


def test_nothing_is_printed_thinner_than_nothing() -> None:
    assert with_bands("from: 0, fill: solid, printed: -0.5") == [
        "`bands`: the printed thickness would be -0.5 mm, below zero"
    ]
    assert len(with_bands("from: 0, fill: solid, printed: -0.1, slope: 1")) == 1
    assert with_bands("from: 0.2, fill: solid, printed: -0.1, slope: 1", beads=True) == []


def test_a_value_from_another_file_is_named_with_its_place() -> None:
    base = document("minimum: {wall: {fail: 1}}\n", **BEADS)
    over = parse_document("minimum: {wall: {warn: 0.5}}", "child.yaml")
    wall, warn = base.at("minimum", "wall"), over.at("minimum", "wall", "warn")
    assert wall is not None
    assert warn is not None
    assert isinstance(wall.value, Mapping)
    wall.value.entries["warn"] = warn
    problem = next(iter(relations(base)))
    assert str(problem.place) == "child.yaml:1:24"
    assert "below `fail`, 1 (r.yaml:6:18)" in problem.text


def test_bands_of_an_axis_may_not_overlap_either(tmp_path):
    path = tmp_path / "r.yaml"
    path.write_text(
        "wallguard: 1\nname: n\nlayer_height: 0.1\nprocess: {category: powder bed fusion}\n"
        "axes:\n  x:\n    - {from: 0, to: 1, fill: missing}\n    - {from: 0.5, fill: solid}\n"
    )
    with pytest.raises(InputError, match=r"r\.yaml:8:7: `axes\.x`: the band from 0\.5 overlaps"):
        load_rules(path)


POWDER = """\
wallguard: 1
name: powder
process: {category: powder bed fusion}
layer_height: 0.1
"""


def test_ways_out_are_counted_only_where_it_is_said_how_wide_one_is(tmp_path):
    path = tmp_path / "powder.yaml"
    path.write_text(POWDER + "minimum: {escape_holes: {fail: 2}}\n")
    with pytest.raises(InputError, match="counts ways out, and nothing says how wide one is"):
        load_rules(path)
    path.write_text(POWDER + "minimum: {escape_holes: {fail: 2}, escape: {fail: 3}}\n")
    assert load_rules(path).minimum["escape_holes"].fail == 2


def test_of_what_is_worse_when_larger_nothing_may_be_allowed(tmp_path):
    path = tmp_path / "powder.yaml"
    path.write_text(POWDER + "minimum: {trapped: {fail: 0}, hole: {fail: 0}}\n")
    rules = load_rules(path)
    assert rules.minimum["trapped"].fail == 0
    assert rules.strictest("trapped") == 0
    assert "hole" not in rules.minimum  # a minimum of 0 asks nothing


def test_growth_is_for_processes_that_lay_no_beads() -> None:
    assert texts(document("growth: 0.05\ngrowth_uncertainty: 0.02\n", "powder bed fusion")) == []
    assert with_beads("growth: 0.05\n") == [
        "`growth` is for processes that lay no beads, but this is material extrusion"
    ]
    assert texts(document("growth_uncertainty: 0.02\n", "powder bed fusion")) == [
        "`growth_uncertainty` says how well `growth` is known, and there is none"
    ]
    few = "bands:\n  - {from: 0.2, to: 0.5, fill: missing}\n"
    assert texts(document(f"growth: 0.05\n{few}", "powder bed fusion")) == []
    alone = list(relations(document(few, "powder bed fusion")))
    assert [problem.remedy for problem in alone] == [
        "Add a band there, or add `growth`",
        "Leave `to` out in the last band, or add `growth`",
    ]
