import random
from dataclasses import replace

import pytest
from solids import box, mesh, wedge

from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.findings.impact import Judged, PartImpact, direction
from wallguard.jobs.check import report_on
from wallguard.jobs.compare import compare, notes
from wallguard.mesh.health import examine
from wallguard.part import geometry as geometry_module
from wallguard.part.geometry import Geometry
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules
from wallguard.sections import cut as cut_module
from wallguard.walls import trace

STEPS = [round(0.2 + 0.1 * step, 2) for step in range(30)]
ANY = {}


def rules(*bands, **changes):
    values = {
        "path": "rules.yaml",
        "name": "process",
        "category": "material extrusion",
        "layer_height": 0.2,
        "bands": bands or (DeclaredBand(0, None, "solid"),),
        "outcomes": {
            "hollow": "fail",
            "missing": "fail",
            "thickened": "warn",
            "thinned": "warn",
            "indeterminate": "warn",
        },
    }
    return Rules(**(values | changes))


def placed(solid):
    drawn = mesh(solid)
    return Geometry(drawn, examine(drawn), UPRIGHT, 1.0)


def fins(steps=STEPS):
    """Walls of the given thickness, 20 mm long and 5 high, on a base that is no wall itself."""
    solid = box([30, 6 * len(steps) + 6, 2], [0, 0, 0])
    for at, thickness in enumerate(steps):
        solid += box([20, thickness, 5], [5, 6 * at + 5, 2])
    return placed(solid)


@pytest.fixture(scope="module")
def comb():
    return fins()


def random_rules(rng):
    """Bands that begin anywhere, print anything, some of them with an uncertainty."""
    ends = sorted({round(rng.uniform(0.05, 3.3), 3) for _ in range(rng.randint(1, 6))})
    bands = []
    for lower, upper in zip([0.0, *ends], [*ends, None], strict=True):
        fill = rng.choice(("solid", "solid", "hollow", "missing", "uncertain"))
        as_drawn = rng.random() < 0.4 or fill == "missing"
        bands.append(
            DeclaredBand(
                lower,
                upper,
                fill,
                printed=None if as_drawn else rng.uniform(0.1, 0.4),
                slope=0.0 if as_drawn else rng.uniform(0.8, 1.1),
                uncertainty=0.0 if fill == "missing" else rng.choice((0.0, 0.05, 0.1)),
            )
        )
    return rules(*bands)


def answer(thickness, one):
    """What one process says of a thickness, looked up by itself."""
    table = band_table(one)
    outcome = table.outcome(thickness)
    return table.classify(thickness, one.tolerance), outcome.printed, outcome.uncertainty


def expected(thickness, old, new):
    """Pair of verdicts where the outcome changes, else None; worked out from both tables alone."""
    (before, was, u1), (after, will, u2) = answer(thickness, old), answer(thickness, new)
    apart = was is not None and will is not None
    apart = apart and abs(was - will) > max((u1**2 + u2**2) ** 0.5, 0.005)
    return (before, after) if before != after or apart else None


@pytest.mark.parametrize("seed", range(25))
def test_the_changed_walls_are_exactly_those_of_which_the_outcome_changes(comb, seed):
    rng = random.Random(seed)
    old, new = random_rules(rng), random_rules(rng)
    wanted = {t: pair for t in STEPS if (pair := expected(t, old, new))}
    found = {
        round(change.thickness.typical, 2): (change.before.verdict, change.after.verdict)
        for change in compare(comb, old, new, "comb.stl").changes
        if change.length > 15 and change.thickness.max < 4  # neither a fin's foot nor the base
    }
    assert found == wanted


@pytest.mark.parametrize("seed", range(8))
def test_both_sides_stand_as_a_check_says(comb, seed):
    rng = random.Random(seed)
    minimum = {"wall": Limit(fail=rng.uniform(0.3, 1)), "free_wall": Limit(warn=1.0)}
    old, new = (replace(random_rules(rng), minimum=minimum) for _ in range(2))
    impact = compare(comb, old, new, "comb.stl")
    fresh = fins()
    assert impact.before == report_on(fresh, old, "comb.stl").status
    assert impact.after == report_on(fresh, new, "comb.stl").status


def test_an_update_that_turns_1_5_mm_hollow(comb):
    old = rules(DeclaredBand(0, 0.4, "missing"), DeclaredBand(0.4, None, "solid"))
    new = rules(
        DeclaredBand(0, 0.4, "missing"),
        DeclaredBand(0.4, 1.25, "solid"),
        DeclaredBand(1.25, 1.75, "hollow", slope=1.0, printed=0.0, solid_width=1.15),
        DeclaredBand(1.75, None, "solid"),
    )
    impact = compare(comb, old, new, "comb.stl")
    thick = sorted(round(change.thickness.typical, 2) for change in impact.changes)
    assert thick == [1.3, 1.4, 1.5, 1.6, 1.7]
    assert {change.direction for change in impact.changes} == {"worse"}
    (change,) = (one for one in impact.changes if round(one.thickness.typical, 2) == 1.5)
    assert change.message.endswith(
        "goes from solid to hollow: it will print hollow, with about 0.35 mm of air"
    )
    assert change.length == pytest.approx(20 - 1.5, abs=0.5)
    assert change.advice == "draw 0.40-1.24 or ≥ 1.75 mm"
    assert change.after.air == pytest.approx(0.35, abs=0.01)
    assert (change.before.level, change.after.level) == ("good", "fail")
    # 0.2 and 0.3 mm are missing before and after: the part failed already.
    assert (impact.before, impact.after, impact.starts_failing) == ("failed", "failed", False)


def test_a_part_starts_and_stops_failing():
    geometry = fins([1.5])
    good, bad = rules(), rules(DeclaredBand(0, 2, "hollow"), DeclaredBand(2, None, "solid"))
    worse, better = compare(geometry, good, bad, "a"), compare(geometry, bad, good, "a")
    assert (worse.before, worse.after, worse.direction) == ("passed", "failed", "worse")
    assert worse.starts_failing and not worse.stops_failing
    assert (better.before, better.after, better.direction) == ("failed", "passed", "better")
    assert better.stops_failing and not better.starts_failing
    assert compare(geometry, bad, bad, "a").changes == ()
    assert compare(geometry, bad, bad, "a").direction is None


def test_of_a_taper_only_the_stretch_in_the_changed_band_changes():
    geometry = placed(wedge(1.0, 2.0, 100, 10))
    new = rules(
        DeclaredBand(0, 1.4, "solid"),
        DeclaredBand(1.4, 1.6, "hollow"),
        DeclaredBand(1.6, None, "solid"),
    )
    (change,) = compare(geometry, rules(), new, "wedge").changes
    # Its thickness is across the taper, so a little less than the drawn one at the same place.
    assert change.thickness.min == pytest.approx(1.395, abs=0.01)
    assert change.thickness.max == pytest.approx(1.595, abs=0.01)
    assert change.length == pytest.approx(20, abs=0.6)


def test_what_the_gate_does_may_be_all_that_changes():
    geometry = fins([1.5])
    bands = (DeclaredBand(0, 2, "hollow"), DeclaredBand(2, None, "solid"))
    warned = rules(*bands)
    warned.outcomes["hollow"] = "warn"
    impact = compare(geometry, warned, rules(*bands), "a")
    (change,) = impact.changes
    assert (change.direction, impact.starts_failing) == ("worse", True)
    assert change.message.endswith("stays hollow, which is now a matter to fail (before: warn)")


def test_another_printed_thickness_is_a_change_beyond_both_uncertainties():
    geometry = fins([1.5])

    def prints(printed, uncertainty):
        return rules(DeclaredBand(0, None, "solid", printed=printed, uncertainty=uncertainty))

    near = compare(geometry, prints(1.5, 0.06), prints(1.55, 0.06), "a")
    far = compare(geometry, prints(1.5, 0.03), prints(1.55, 0.03), "a")
    assert near.changes == ()
    (change,) = far.changes
    assert (change.direction, far.direction) == ("other", "other")
    assert "stays solid, but prints about 1.55 mm thick instead of 1.50" in change.message


def test_what_else_a_check_finds_appears_and_is_gone():
    solid = box([20, 2, 10]) + box([20, 2, 10], [0, 2.3, 0]) + box([20, 4.3, 2], [0, 0, 0])
    geometry = placed(solid)
    narrow = rules(minimum={"gap": Limit(fail=0.2)})
    wide = rules(minimum={"gap": Limit(fail=0.4)})
    impact = compare(geometry, narrow, wide, "a")
    assert [finding.check for finding in impact.appeared] == ["gap"]
    assert (impact.changes, impact.gone, impact.direction) == ((), (), "worse")
    back = compare(geometry, wide, narrow, "a")
    assert [finding.check for finding in back.gone] == ["gap"]
    assert (back.appeared, back.direction) == ((), "better")
    same = compare(geometry, wide, replace(wide, minimum={"gap": Limit(fail=0.5)}), "a")
    assert same.direction is None


def test_a_wall_that_turns_hollow_is_told_once():
    impact = compare(fins([1.5]), rules(), rules(DeclaredBand(0, None, "hollow")), "a")
    assert len(impact.changes) >= 1
    assert impact.appeared == ()


def state(verdict, gate):
    return Judged(verdict, gate, None)


@pytest.mark.parametrize(
    ("before", "after", "wanted"),
    [
        (("solid", "good"), ("hollow", "fail"), "worse"),
        (("solid", "good"), ("hollow", "ignore"), "other"),
        (("hollow", "fail"), ("missing", "warn"), "better"),
        (("hollow", "fail"), ("missing", "fail"), "worse"),
        (("thickened", "warn"), ("thinned", "warn"), "other"),
        (("indeterminate", "warn"), ("thickened", "warn"), "worse"),
        (("missing", "fail"), ("hollow", "fail"), "better"),
        (("missing", "ignore"), ("solid", "good"), "other"),
        (("hollow", "warn"), ("hollow", "fail"), "worse"),
    ],
)
def test_worse_is_what_the_gate_does_then_what_is_lost(before, after, wanted):
    assert direction(state(*before), state(*after)) == wanted


def test_a_part_that_is_only_noted_otherwise_is_as_before():
    assert PartImpact("a", "passed", "passed").direction is None
    assert PartImpact("a", "passed", "indeterminate").direction == "worse"
    assert PartImpact("a", "failed", "indeterminate").stops_failing
    assert PartImpact("a", "error", "error", error="unreadable").direction is None


@pytest.fixture
def counted(monkeypatch):
    """How often the costly measures are taken."""
    calls = {"cut": 0, "sample": 0, "rounds": 0}

    def counting(name, function):
        def call(*arguments, **options):
            calls[name] += 1
            return function(*arguments, **options)

        return call

    from wallguard.walls import rounds

    monkeypatch.setattr(cut_module, "cut", counting("cut", cut_module.cut))
    monkeypatch.setattr(trace, "take_layers", counting("sample", trace.take_layers))
    monkeypatch.setattr(rounds, "find_rounds", counting("rounds", rounds.find_rounds))
    return calls


BEADS = Beads(width=0.45, contours=2, smallest_wall=0.3, squeeze=0.1, smallest_fill=0.4)


def test_two_processes_cost_one_cut_and_one_sampling(counted):
    minimum = {"gap": Limit(fail=0.3), "hole": Limit(warn=2), "wall": Limit(fail=0.8)}
    old = rules(bands=(), beads=BEADS, minimum=minimum)
    new = rules(
        bands=(),
        beads=replace(BEADS, squeeze=0.2, width=0.5),
        minimum={**minimum, "gap": Limit(fail=0.5), "hole": Limit(warn=3)},
    )
    compare(fins([0.4, 1.5]), old, new, "a")
    # Walls are sampled once and gaps once, as in a check of one process.
    assert counted == {"cut": 1, "sample": 2, "rounds": 1}
    report_on(fins([0.4, 1.5]), old, "a")
    assert counted == {"cut": 2, "sample": 4, "rounds": 2}


def test_other_layers_cost_another_cut_and_are_spoken_of(counted):
    fine, coarse = rules(), rules(layer_height=0.3)
    bad = replace(coarse, bands=(DeclaredBand(0, 2, "hollow"), DeclaredBand(2, None, "solid")))
    impact = compare(fins([1.5]), fine, bad, "a")
    assert counted["cut"] == 2
    assert [change.after.verdict for change in impact.changes] == ["hollow"]
    assert impact.starts_failing
    assert notes(fine, rules()) == ()
    (note,) = notes(fine, coarse)
    assert "layers of 0.2 mm before and 0.3 mm after" in note
    assert "each part was measured twice" in note


def test_processes_of_another_category_are_compared_as_the_new_one_measures():
    laser = rules(DeclaredBand(0, 1, "missing"), DeclaredBand(1, None, "solid"))
    laser = replace(laser, category="powder bed fusion")
    impact = compare(fins([0.6]), rules(), laser, "a")
    assert (impact.before, impact.after) == ("passed", "failed")
    assert {change.after.verdict for change in impact.changes} == {"missing"}
    assert "material extrusion before and powder bed fusion after" in notes(rules(), laser)[0]


def test_places_are_in_the_frame_of_the_part_file():
    drawn = mesh(box([20, 1.5, 10], [100, 200, 300]))
    turned = ((0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    geometry = geometry_module.Geometry(drawn, examine(drawn), turned, 1.0)
    (change,) = compare(geometry, rules(), rules(DeclaredBand(0, None, "hollow")), "a").changes
    assert change.location[1] == pytest.approx(200.75, abs=0.01)
    assert change.z == pytest.approx((300, 310))
    assert change.box[0] == pytest.approx((100, 200, 300), abs=0.6)
    assert change.box[1] == pytest.approx((120, 201.5, 310), abs=0.6)


def test_faces_that_grow_more_change_every_wall():
    powder = {"category": "powder bed fusion", "bands": (), "tolerance": (0.1, 0.1)}
    before, after = (rules(**powder, growth=growth) for growth in (0.02, 0.08))
    found = compare(placed(box([20, 1.0, 10])), before, after, "plate.stl")
    assert found is not None
    (change,) = found.changes
    assert change.direction == "worse"
    assert (change.before.verdict, change.after.verdict) == ("solid", "thickened")
