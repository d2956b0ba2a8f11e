"""From which size on features come out: what a fit claims of it, against chance."""

import math
import random
from dataclasses import replace

import pytest
from processes import BASE, BASE_POWDER
from test_coupon_fit import MACHINE_A, file_of

from wallguard.base.errors import InputError
from wallguard.commands.coupon import fit as coupon_fit
from wallguard.coupon.readings import Readings
from wallguard.coupon.rows import Row
from wallguard.documents.reading import parse_document
from wallguard.fitting.fit import fit
from wallguard.fitting.minima import limits, minima, uncertainty
from wallguard.fitting.rule_file import rule_file
from wallguard.fitting.uncertainty import COVERAGE, student
from wallguard.rules.load import rules_from
from wallguard.rules.model import Limit

SIZES = tuple(round(0.2 * at, 2) for at in range(1, 11))
_HEAD = "feature,axis,nominal,reading_1,fill\n"


def printed(came, number=1, feature="gap", axis="x", **keys):
    """A print of which it is known which sizes came out."""
    rows = [
        Row(feature, axis, size, (), "solid" if out else "missing", "", f"{number}.csv", at)
        for at, (size, out) in enumerate(came.items(), 2)
    ]
    return Readings(f"{number}.csv", tuple(rows), keys=keys)


def from_threshold(threshold, number=1, **more):
    return printed({size: size >= threshold for size in SIZES}, number, **more)


def found(*thresholds, **more):
    files = [from_threshold(each, at, **more) for at, each in enumerate(thresholds)]
    (minimum,) = minima(files)
    return minimum


def test_one_print_gives_the_middle_of_its_interval_and_claims_nothing():
    minimum = found(0.9)
    assert minimum.value == pytest.approx(0.9)
    # Between 0.8 and 1.0: a rectangle of half-width 0.1, for this print and the next.
    assert minimum.u == pytest.approx(2 * 0.1 / math.sqrt(3) * math.sqrt(2))
    assert not minimum.claimed
    assert (
        minimum.words == "gaps along x from 0.90 ± 0.16 mm (1 print; k = 2 is claimed from 4 "
        "prints on)"
    )
    assert minimum.limit == Limit(0.73, 1.07)


def test_four_prints_that_differ_have_a_prediction_interval():
    minimum = found(0.5, 0.7, 0.9, 0.7)
    middles = [0.5, 0.7, 0.9, 0.7]
    assert minimum.value == pytest.approx(0.7)
    s = math.sqrt(sum((each - 0.7) ** 2 for each in middles) / 3)
    wide = student(3) * s * math.sqrt(1.25)
    assert minimum.u == pytest.approx(math.hypot(wide, 2 * 0.1 / math.sqrt(3) * math.sqrt(1.25)))
    assert minimum.claimed
    assert minimum.words.endswith("(4 prints)")


def test_where_nothing_or_everything_came_out_only_one_side_is_told():
    every, none = found(0.0), found(9.0)
    assert (every.value, every.limit) == (None, Limit(warn=0.2))
    assert every.words == "gaps along x: even 0.20 mm came out (1 print; smaller ones tell more)"
    assert (none.value, none.limit) == (None, Limit(fail=2.0))
    assert none.words == "gaps along x: not even 2.00 mm came out in each (1 print)"
    assert found(0.9, 9.0).value is None
    assert "even the smallest came out in some" in found(0.9, 0.0).words


def test_a_size_that_failed_above_one_that_came_out_widens_the_interval():
    came = {0.2: False, 0.4: True, 0.6: False, 0.8: True, 1.0: True}
    (minimum,) = minima([printed(came)])
    # Anywhere from 0.2 to 0.8.
    assert minimum.value == pytest.approx(0.5)
    assert minimum.u == pytest.approx(2 * 0.3 / math.sqrt(3) * math.sqrt(2))


def test_toolpaths_print_nothing():
    assert minima([from_threshold(0.9, source="toolpath")]) == ()


@pytest.mark.parametrize("prints", [4, 6, 12])
@pytest.mark.parametrize("scatter", [0.0, 0.1, 0.3, 0.5, 1.0, 2.0])
def test_u_covers_the_threshold_of_the_next_print(prints, scatter):
    """`scatter` in steps, the threshold anywhere between two of them."""
    rng = random.Random(f"{prints} {scatter}")
    tries, covered = 3000, 0
    for _ in range(tries):
        centre = rng.uniform(0, 1) + 50
        shown = [math.ceil(rng.gauss(centre, scatter)) - 0.5 for _ in range(prints)]
        u = uncertainty(shown, 0.5)
        covered += abs(rng.gauss(centre, scatter) - sum(shown) / prints) <= u
    # By chance alone it is this much less once in a thousand.
    least = COVERAGE - 3.1 * math.sqrt(COVERAGE * (1 - COVERAGE) / tries)
    assert covered / tries >= least


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.2])
def test_so_it_does_where_every_feature_comes_out_by_its_own_chance(noise):
    """Each feature has a threshold of its own (probit): sizes may fail above ones that did not."""
    rng = random.Random(noise)
    below = above = tries = 0
    for _ in range(1500):
        centre = rng.uniform(0.7, 1.1)
        files = [
            printed({size: size >= rng.gauss(centre, noise) for size in SIZES}, at)
            for at in range(4)
        ]
        (minimum,) = minima(files)
        if minimum.value is None:
            continue
        tries += 1
        above += rng.gauss(centre, noise) <= minimum.value + minimum.u
        below += rng.gauss(centre, noise) > minimum.value - minimum.u
    assert tries > 1400
    assert above / tries >= 0.97
    assert below / tries >= 0.97


def walls():
    return file_of(MACHINE_A, axes="xy")


def together(file, *others):
    rows = [row for each in (file, *others) for row in each.rows]
    return replace(file, rows=tuple(replace(row, path=file.path) for row in rows))


def written(base, *files):
    fitted = fit(list(files), base)
    text = rule_file(fitted, base)
    return text, rules_from(parse_document(text, "new.yaml"), "new.yaml")


def test_a_fit_writes_the_worse_of_both_ways_and_where_it_is_from():
    both = together(walls(), from_threshold(0.5), from_threshold(0.9, axis="y"))
    text, rules = written(BASE, both)
    assert rules.minimum["gap"] == Limit(0.73, 1.07)
    assert "# Found: gaps along x from 0.50 ± 0.16 mm (1 print; k = 2" in text
    assert "gaps along y from 0.90 ± 0.16 mm" in " ".join(text.replace("#", "").split())
    assert "They come out, where U covers the next print (k = 2):" in text


def test_a_fit_asks_nothing_less_than_its_base_did():
    # A hole of 1.5 mm that a string goes through is not asked for the printer's sake.
    base = replace(BASE, minimum={"gap": Limit(0.8), "hole": Limit(1.5, 1.8), "pin": Limit(0.2)})
    holes = from_threshold(0.9, feature="hole", axis="vertical")
    pins = from_threshold(0.9, feature="pin", axis="vertical")
    text, rules = written(base, together(walls(), from_threshold(0.5), holes, pins))
    assert rules.minimum["gap"] == Limit(0.8)
    assert "; the base asks more." in " ".join(text.replace("#", "").split())
    assert rules.minimum["hole"] == Limit(1.5, 1.8)
    assert rules.minimum["upright_hole"] == Limit(0.73, 1.07)
    assert rules.minimum["pin"] == Limit(0.73, 1.07)


def test_ways_out_are_written_where_the_process_knows_them():
    ways = from_threshold(0.9, feature="escape", axis="vertical")
    _, rules = written(BASE_POWDER, together(walls(), ways))
    assert rules.minimum["escape"] == Limit(0.73, 1.07)
    assert [name for name, *_ in limits(minima([ways]), BASE)] == []
    assert "escape" not in written(BASE, together(walls(), ways))[1].minimum


def test_several_prints_from_file_to_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "base.yaml").write_text(
        "wallguard: 1\nname: P\nprocess: {category: powder bed fusion}\nlayer_height: 0.1\n"
        "growth: 0.05\nminimum: {escape: {fail: 1}}\n"
    )
    for number, threshold in enumerate((1.0, 1.4, 1.4, 2.0)):
        rows = "".join(
            f"escape,vertical,{size},,{'clear' if size >= threshold else 'stuck'}\n"
            for size in (0.8, 1.2, 1.6, 2.4)
        )
        walls = f"wall,x,1,1.{number},solid\nwall,x,2,2.1,solid\n"
        (tmp_path / f"{number}.csv").write_text(_HEAD + rows + walls)
    paths = [tmp_path / f"{number}.csv" for number in range(4)]
    said = coupon_fit.run(paths, rules=tmp_path / "base.yaml", output=tmp_path / "new.yaml")
    assert "from which size on they come out (± 95 % of the next print):" in said
    assert "ways out from" in said and "(4 prints)" in said
    text = (tmp_path / "new.yaml").read_text()
    rules = rules_from(parse_document(text, "new.yaml"), "new.yaml")
    assert rules.growth is None and rules.bands
    assert rules.minimum["escape"].fail == 1
    assert (rules.minimum["escape"].warn or 0) > 2


def test_where_no_wall_was_read_walls_are_as_in_the_base(tmp_path):
    holes = from_threshold(0.9, feature="hole", axis="vertical")
    text, rules = written(BASE, holes)
    assert rules.minimum["upright_hole"] == Limit(0.73, 1.07)
    assert "No wall was read: how walls come out is as in the base." in text
    assert rules.beads == BASE.beads and rules.bands == BASE.bands
    with pytest.raises(InputError, match="no wall is among the readings"):
        fit([replace(holes, keys={"source": "toolpath"})], BASE)


def test_without_walls_there_is_nothing_to_draw(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "base.yaml").write_text(
        "wallguard: 1\nname: P\nprocess: {category: powder bed fusion}\nlayer_height: 0.1\n"
        "growth: 0.05\n"
    )
    (tmp_path / "a.csv").write_text(_HEAD + "pin,,0.4,,broken\npin,,0.8,,whole\n")
    made = tmp_path / "new.yaml"
    with pytest.raises(InputError, match="there is nothing to draw"):
        coupon_fit.run(
            [tmp_path / "a.csv"],
            rules=tmp_path / "base.yaml",
            output=made,
            plot_file=tmp_path / "p.svg",
        )
    said = coupon_fit.run([tmp_path / "a.csv"], rules=tmp_path / "base.yaml", output=made)
    assert "no wall was read" in said and "pins from 0.60 ± 0.33 mm (1 print" in said
    rules = rules_from(parse_document(made.read_text(), "new.yaml"), "new.yaml")
    assert (rules.growth, rules.minimum["pin"]) == (0.05, Limit(0.27, 0.93))
