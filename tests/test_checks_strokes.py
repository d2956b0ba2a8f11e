"""Raised and sunken strokes against rules: what is told, and that nothing is told twice."""

import json
import re

import pytest
from solids import box
from test_checks import case, told
from test_shapes_strokes import MADE, PLATE, SHAPED, bar, disc, into, on

import wallguard
from wallguard.commands.main import main
from wallguard.coupon.plan import STROKE
from wallguard.rules.model import Limit
from wallguard.views.places import views_of

CATEGORIES = {
    "extrusion": {},
    "powder": {"category": "powder bed fusion", "beads": None},
    "vat": {"category": "vat photopolymerization", "beads": None},
}
STROKES = {
    "raised": Limit(fail=0.55),
    "raised_height": Limit(fail=0.3),
    "sunken": Limit(fail=0.55),
    "sunken_depth": Limit(fail=0.3),
}
OTHERS = {
    "wall": Limit(fail=0.8),
    "free_wall": Limit(fail=1.2),
    "gap": Limit(fail=0.6),
    "hole": Limit(fail=0.8),
    "pin": Limit(fail=1.5),
    "floor": Limit(fail=4),
    "roof": Limit(fail=4),
}
# How walls come out is another matter.
QUIET = dict.fromkeys(
    ("hollow", "missing", "thickened", "thinned", "porous", "indeterminate"), "ignore"
)
LYING, STANDING, TURNED = (0, 0, 0), (90, 0, 0), (25, 35, 45)


@pytest.fixture(params=CATEGORIES.values(), ids=CATEGORIES)
def category(request):
    return request.param


def checks(findings):
    return [{breach.check for breach in each.breaches} for each in findings]


@pytest.mark.parametrize("turn", [LYING, STANDING, TURNED])
@pytest.mark.parametrize("kind", MADE)
def test_a_narrow_stroke_is_told_where_it_is_with_its_width(category, kind, turn):
    limit = {kind: Limit(fail=0.6)}
    (finding,) = told(MADE[kind](bar(0.54)).rotate(turn), minimum=limit, outcomes=QUIET, **category)
    assert finding.subject.kind == kind
    assert finding.measured == pytest.approx(0.54, abs=1e-4)
    assert finding.message.startswith(f"{kind} stroke 0.54 mm wide at (")
    assert "is narrower than 0.60 mm: it may" in finding.message
    assert ("0.40 mm high" if kind == "raised" else "0.40 mm deep with 2.60 mm") in finding.message
    assert finding.advice == "draw it ≥ 0.60 mm wide"


@pytest.mark.parametrize("turn", [LYING, STANDING])
@pytest.mark.parametrize("kind", MADE)
def test_one_that_stands_out_too_little_is_told_with_its_height(category, kind, turn):
    check, far = ("raised_height", "high") if kind == "raised" else ("sunken_depth", "deep")
    solid = MADE[kind](bar(0.8), 0.2).rotate(turn)
    (finding,) = told(solid, minimum={check: Limit(fail=0.3)}, outcomes=QUIET, **category)
    assert finding.measured == pytest.approx(0.2, abs=1e-4)
    layers = ", 1 layer" if "beads" not in category and turn == LYING else ""
    assert f"is less than 0.30 mm {far}{layers}: it may not be seen" in finding.message
    assert finding.advice == f"draw it ≥ 0.30 mm {far}"
    enough = MADE[kind](bar(0.8), 0.3).rotate(turn)
    assert told(enough, minimum={check: Limit(fail=0.3)}, outcomes=QUIET, **category) == []


@pytest.mark.parametrize("turn", [LYING, STANDING])
@pytest.mark.parametrize("kind", MADE)
@pytest.mark.parametrize("shape", [bar(0.5), disc(0.5, 64), disc(6) - disc(5)])
def test_a_stroke_is_told_once_and_by_its_own_limit(category, kind, shape, turn):
    solid = MADE[kind](shape, 0.4).rotate(turn)
    without = told(solid, minimum=OTHERS, outcomes=QUIET | {"missing": "fail"}, **category)
    findings = told(
        solid, minimum=OTHERS | STROKES, outcomes=QUIET | {"missing": "fail"}, **category
    )
    mine = [each for each in findings if each.subject and each.subject.kind == kind]
    assert len(mine) == 1
    assert {kind} <= set(*checks(mine)) <= {kind, "fill"}
    # What stays told is what stands behind: nothing that came of the stroke.
    assert [each for each in findings if each not in mine and each not in without] == []
    wide = {kind: Limit(fail=0.45)}
    assert told(solid, minimum=OTHERS | wide, outcomes=QUIET, **category) == []


@pytest.mark.parametrize("turn", [LYING, STANDING, TURNED])
@pytest.mark.parametrize("name", SHAPED)
def test_a_pointed_round_or_high_stroke_is_told_once(category, name, turn):
    made, kind, high = SHAPED[name]
    limits = OTHERS | {"raised": Limit(fail=0.55), "sunken": Limit(fail=0.55)}
    findings = told(made().rotate(turn), minimum=limits, outcomes=QUIET, **category)
    mine = [each for each in findings if each.subject and each.subject.kind == kind]
    assert len(mine) == 1
    assert mine[0].measured == pytest.approx(0.5, abs=1e-4)
    assert f"{high:.2f} mm {'high' if kind == 'raised' else 'deep'}" in mine[0].message
    # What is left behind it is a wall, floor or roof of its own.
    left = 3 - high if kind == "sunken" else 9.0
    kinds = {each.subject.kind for each in findings if each.subject and each not in mine}
    assert kinds <= ({"wall", "floor", "roof"} if left < 1.2 else set())
    wide = {kind: Limit(fail=0.45)}
    again = told(made().rotate(turn), minimum=OTHERS | wide, outcomes=QUIET, **category)
    assert len(again) == len(findings) - 1


def test_a_raised_stroke_too_thin_for_a_bead_is_told_once_where_beads_run_along_it():
    solid = on(bar(0.45))
    wanted = {"raised": Limit(fail=0.4), "free_wall": Limit(fail=1.2)}
    (finding,) = told(solid, minimum=wanted)
    assert checks([finding]) == [{"fill"}]
    assert "raised stroke 0.45 mm wide" in finding.message
    assert "will not be printed" in finding.message
    assert finding.advice == "draw it ≥ 0.50 mm wide"
    assert told(solid.rotate(STANDING), minimum=wanted) == []


def test_strokes_of_one_face_are_one_place_told_where_they_are_narrowest():
    lines = bar(0.5) + bar(0.3, 10, (5, 8)) + bar(0.4, 10, (5, 11)) + bar(1, 10, (5, 14))
    for kind, made in MADE.items():
        (finding,) = told(made(lines, 0.4), minimum={kind: Limit(fail=0.55)}, outcomes=QUIET)
        assert "the narrowest of 4 on its face" in finding.message
        assert finding.measured == pytest.approx(0.3, abs=1e-4)


def test_the_counter_of_a_letter_has_its_height_told_with_the_letter():
    ring = disc(6) - disc(5)
    (finding,) = told(on(ring, 0.2), minimum=STROKES, outcomes=QUIET)
    assert checks([finding]) == [{"raised", "raised_height"}]
    assert "0.20 mm high, is narrower than 0.55 mm" in finding.message
    assert "it is less than 0.30 mm high, 1 layer" in finding.message
    assert finding.advice == "draw it ≥ 0.55 mm wide, and draw it ≥ 0.30 mm high"


@pytest.mark.parametrize("turn", [LYING, STANDING])
def test_what_is_left_behind_an_engraving_is_a_wall_of_its_own(category, turn):
    thin = box([40, 20, 1.2]) - bar(0.8).extrude(2).translate([0, 0, 0.4])
    findings = told(thin.rotate(turn), minimum=OTHERS | STROKES, outcomes=QUIET, **category)
    (finding,) = findings
    assert finding.subject.kind in ("wall", "floor", "roof", "sunken")
    assert not {"gap", "sunken"} & set(*checks(findings))
    assert re.search(r"0\.4\d? (to 0\.\d\d )?mm( thick|\) thick| of material)", finding.message)


def test_behind_a_stroke_narrower_than_a_bead_the_floor_is_told_with_it():
    thin = box([40, 20, 1.2]) - bar(0.5).extrude(2).translate([0, 0, 0.4])
    (finding,) = told(
        thin, minimum={"sunken": Limit(fail=0.4), "floor": Limit(fail=4)}, outcomes=QUIET
    )
    assert "leaves a floor of 2 layers, fewer than 4" in finding.message
    assert finding.advice == "leave ≥ 0.80 mm behind it"
    hung = thin.rotate([180, 0, 0])  # as narrow a roof is told in the same way
    (finding,) = told(
        hung, minimum={"sunken": Limit(fail=0.4), "roof": Limit(fail=4)}, outcomes=QUIET
    )
    assert "leaves a roof of 2 layers, fewer than 4" in finding.message
    assert finding.advice == "leave ≥ 0.80 mm behind it"


@pytest.mark.parametrize("turn", [LYING, STANDING])
@pytest.mark.parametrize("kind", MADE)
def test_what_is_between_letters_is_lettering_unless_it_is_narrower_than_they_may_be(
    category, kind, turn
):
    # What is above each other is no gap in the layers.
    near = 0 if kind == "raised" and turn == STANDING and "beads" not in category else 1
    for apart, many in ((0.65, 0), (0.3, near)):
        lines = bar(1, 10, (5, 5)) + bar(1, 10, (5, 6 + apart))
        solid = MADE[kind](lines, 0.8).rotate(turn)
        findings = told(solid, minimum=OTHERS | STROKES, outcomes=QUIET, **category)
        assert len(findings) == many
        assert all(each.subject.kind != kind for each in findings)


def test_what_may_be_narrower_by_its_facets_alone_is_indeterminate():
    ring = on(disc(6, 16) - disc(5, 16))
    rules = {"minimum": {"raised": Limit(fail=0.5)}, **CATEGORIES["powder"]}
    (finding,) = told(ring, outcomes=QUIET | {"indeterminate": "warn"}, **rules)
    assert (finding.severity, finding.indeterminate) == ("warn", True)
    assert "unless only the facets of its curve" in finding.message


@pytest.mark.parametrize("turn", [LYING, STANDING, TURNED])
@pytest.mark.parametrize("kind", MADE)
def test_its_picture_shows_the_width_and_the_height(kind, turn):
    one = case(MADE[kind](bar(0.5)).rotate(turn), minimum=STROKES, outcomes=QUIET)
    from wallguard.jobs.check import run_checks

    _, findings = run_checks(one)
    ((view,), _) = views_of(one, findings[:1], 5)
    assert view.plane == "section across the stroke"
    assert view.label == "0.50 mm"
    (ax, ay), (bx, by) = view.across
    assert ((ax - bx) ** 2 + (ay - by) ** 2) ** 0.5 == pytest.approx(0.5, abs=1e-3)
    (sign,) = view.signs
    assert sign.label == ("0.40 mm high" if kind == "raised" else "0.40 mm deep")


def test_without_limits_nothing_is_looked_for(monkeypatch):
    from wallguard.part.geometry import Geometry

    monkeypatch.setattr(Geometry, "strokes", lambda *_: pytest.fail("looked for"))
    assert told(PLATE, minimum=OTHERS, outcomes=QUIET) == []
    assert told(into(bar(0.5)), minimum={"gap": Limit(fail=0.3)}, outcomes=QUIET) == []


@pytest.mark.parametrize("name", ["powder bed fusion", "vat photopolymerization"])
def test_strokes_of_a_coupon_are_found_as_wide_as_its_plan_says(name, tmp_path):
    rules = tmp_path / "rules.yaml"
    rules.write_text(
        f"wallguard: 1\nname: n\nlayer_height: 0.1\nprocess: {{category: {name}}}\n", "utf-8"
    )
    assert main(["coupon", "make", str(rules), "-o", str(tmp_path / "coupon")]) == 0
    manifest = json.loads((tmp_path / "coupon" / "manifest.json").read_text("utf-8"))
    drawn = manifest["plates"][0]["features"]
    part = wallguard.load_part(tmp_path / "coupon" / "plate-1.stl")
    strokes = part.geometry.strokes((1.6, 1.6))
    for kind in MADE:
        found = {
            round(each.width, 2)
            for each in strokes
            if each.kind == kind and each.height == pytest.approx(STROKE, abs=1e-3)
        }
        # What is less than a quarter as wide as high is a wall or a gap.
        widths = {each["nominal"] for each in drawn if each["feature"] == kind}
        assert found == {width for width in widths if width >= STROKE / 4 and width < 1.6}
        assert len(found) >= 4


@pytest.mark.parametrize("turn", [0, 20])
def test_a_part_of_no_layer_with_a_stroke_is_told_as_such(turn):
    solid = (box([40, 20, 0.06]) - box([20, 0.1, 1], [5, 5, 0.04])).rotate([0, 0, turn])
    findings = told(solid, minimum={**OTHERS, **STROKES}, layer_height=0.2, outcomes=QUIET)
    assert any("nothing will be printed" in each.message for each in findings)
