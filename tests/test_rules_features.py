"""A check is one module and one row: nothing else has to know of it."""

import json
import re
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest
from solids import box, save

from wallguard.checks import registry
from wallguard.documents.reading import DocumentError
from wallguard.rules import features
from wallguard.rules.features import CATEGORIES, FEATURES, Asked, Feature
from wallguard.rules.load import load_rules
from wallguard.rules.model import Limit, Rules

CHECKS = Path(__file__).parent.parent / "wallguard" / "checks"

# Begins a program in which the registry has a row more than ours, and a module that stands in no
# file: walls that stand free, no higher than so many times their thickness.
ONE_MORE = """
import sys, types
from pathlib import Path
from wallguard.rules import features
from wallguard.rules.features import Asked, Feature

features.FEATURES += (
    Feature(
        "lanky",
        "walls are not too high for their thickness",
        "lanky",
        Asked("height over thickness", unit="", smaller_is_worse=False),
        categories=("vat photopolymerization", "powder bed fusion"),
    ),
)
module = types.ModuleType("wallguard.checks.lanky", "Height over thickness.")
module.ID = "lanky"


def needs(case):
    from wallguard.checks.case import Needs

    return Needs(walls=case.geometry.extents[2] / case.rules.strictest("lanky"))


def findings(case):
    from wallguard.checks.case import Broken

    for piece in case.pieces:
        height = piece.high - piece.low
        ratio = height / piece.typical
        says = lambda level: f"is {ratio:.1f} times as high as thick, above {level:g}"
        breach = case.breach("lanky", ratio, says)
        if piece.sides < 2 and breach:
            yield Broken("wall", piece, breach, weight=(ratio,), least=height / breach.limit)


module.needs, module.findings = needs, findings
sys.modules["wallguard.checks.lanky"] = module
"""
WITH_ONE_MORE = (
    ONE_MORE
    + """
from wallguard.checks.registry import CHECKS
from wallguard.coupon.plan import plan
from wallguard.rules.fields import rules_schema
from wallguard.rules.load import load_rules

assert list(CHECKS)[-1] == "lanky"
assert "lanky" in rules_schema()["properties"]["minimum"]["properties"]
rules = load_rules(Path(sys.argv[1]))
print(rules.minimum["lanky"])
plan(rules)
"""
)
# A command with that row, for every process.
COMMAND = (
    ONE_MORE.replace('categories=("vat photopolymerization", "powder bed fusion"),', "")
    + """
from wallguard.commands.main import main

words, codes = sys.argv[1:], []
while words:
    end = words.index("then") if "then" in words else len(words)
    codes.append(main(words[:end]))
    words = words[end + 1 :]
print(codes, file=sys.stderr)
"""
)
GREY = """\
wallguard: 1
name: grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width}
minimum: {lanky: {warn: 10, fail: 20}}
"""
RESIN = """\
wallguard: 1
name: resin
process: {category: vat photopolymerization}
layer_height: 0.05
"""


def with_one_more(path: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", WITH_ONE_MORE, str(path)]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)


def test_every_module_of_a_check_has_its_row() -> None:
    # A module that says its ID is a check; the others help.
    texts = {path.stem: path.read_text("utf-8") for path in CHECKS.glob("*.py")}
    named = {stem for stem, text in texts.items() if re.search(r"^ID\b", text, re.MULTILINE)}
    assert named == {row.module for row in FEATURES}
    names = [name for row in FEATURES for name in (row.id, row.formerly) if name]
    assert len(set(names)) == len(names)
    assert all(set(row.categories) <= set(CATEGORIES) for row in FEATURES)


def test_a_check_with_a_limit_is_a_module_and_a_row(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RESIN + "minimum: {lanky: {fail: 20, warn: 10}}\n", "utf-8")
    ran = with_one_more(file)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout == "Limit(fail=20.0, warn=10.0)\n"


def test_a_limit_from_above_warns_below_where_it_fails(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RESIN + "minimum: {lanky: {fail: 10, warn: 20}}\n", "utf-8")
    assert "`minimum.lanky.warn` is 20, above `fail`, 10" in with_one_more(file).stderr


def test_a_category_that_does_not_know_a_feature_refuses_its_limit(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    text = RESIN.replace("vat photopolymerization", "material extrusion")
    file.write_text(
        f"{text}bands: [{{from: 0, fill: solid}}]\nminimum: {{lanky: {{fail: 10}}}}\n", "utf-8"
    )
    assert (
        "rules.yaml:6:11: `minimum.lanky` is for vat photopolymerization and powder bed fusion, "
        "but this is material extrusion. Remove it, or correct `process.category`"
    ) in with_one_more(file).stderr


def test_an_old_key_is_told_by_its_new_name(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RESIN + "minimum:\n  unsupported_wall: {fail: 1}\n", "utf-8")
    with pytest.raises(DocumentError) as caught:
        load_rules(file, tmp_path)
    assert str(caught.value) == (
        "rules.yaml:6:3: `minimum.unsupported_wall` is called `free_wall` now. Rename it. "
        "Smallest allowed thickness of a wall with a free edge, in mm."
    )


def test_the_strictest_level_is_the_smallest_where_larger_is_worse(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lanky = Feature("lanky", "", "", Asked("height over thickness", smaller_is_worse=False))
    monkeypatch.setattr(features, "FEATURES", (*FEATURES, lanky))
    asked = {"wall": Limit(0.8, 1.2), "lanky": Limit(20, 10)}
    rules = Rules("r.yaml", "r", "powder bed fusion", 0.1, minimum=asked)
    assert [rules.strictest(check) for check in ("wall", "lanky", "gap")] == [1.2, 10, 0]


def test_two_rows_of_one_name_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "FEATURES", (*FEATURES, FEATURES[0]))
    with pytest.raises(ValueError, match="are called mesh"):
        registry.registered()


def command(root: Path, *words: str) -> tuple[list[int], str]:
    """Commands of a wallguard that has the row more, with `then` between them: what each ended
    with, and what they said."""
    program = [sys.executable, "-c", COMMAND, *words]
    ran = subprocess.run(
        program, cwd=root, check=False, capture_output=True, text=True, timeout=120
    )
    assert ran.returncode == 0, ran.stderr
    return json.loads(ran.stderr.splitlines()[-1]), ran.stdout


@pytest.fixture
def lanky(tmp_path: Path) -> Path:
    """A plate with walls of 2 mm: 24, 44, 60 and 16 mm high, so 12, 22, 30 and 8 times; and one
    of 5 mm, thicker than walls are looked for unless a check asks: 70 mm high, 14 times."""
    (tmp_path / "grey.yaml").write_text(GREY, "utf-8")
    (tmp_path / "wallguard.yaml").write_text(
        'wallguard: 1\nparts:\n  - {files: "*.stl", rules: grey.yaml}\n', "utf-8"
    )
    walls = [
        box([30, 2, height], [0, 20 * at + 9, 4]) for at, height in enumerate((24, 44, 60, 16))
    ]
    solid = box([30, 110, 4.2])
    for wall in (*walls, box([30, 5, 70], [0, 100, 4])):
        solid += wall
    save(tmp_path / "part.stl", solid)
    git = ["git", "init", "-q", "-b", "main"]
    subprocess.run(git, cwd=tmp_path, check=True, capture_output=True)
    return tmp_path


def test_a_row_and_a_module_reach_every_report_the_worst_first(lanky: Path) -> None:
    names = ("json", "junit", "markdown", "sarif")
    options = [word for name in (*names, "html") for word in (f"--{name}", f"r.{name}")]
    codes, output = command(lanky, "check", "--all", *options)
    assert codes == [1]
    told = json.loads((lanky / "r.json").read_text("utf-8"))["parts"][0]["findings"]
    assert all(breach["check"] == "lanky" for one in told for breach in one["breaches"])
    said = [(one["breaches"][0]["severity"], one["breaches"][0]["limit"]) for one in told]
    assert said == [("fail", 20), ("fail", 20), ("warn", 10), ("warn", 10)]
    ratios = [one["breaches"][0]["measured"] for one in told]
    assert ratios == pytest.approx([29.9, 21.9, 13.9, 11.9], abs=0.2)
    assert {one["breaches"][0]["unit"] for one in told} == {""}
    words = f"is {ratios[0]:.1f} times as high as thick, above 20"
    assert words in " ".join(output.split())
    assert "times as high as thick" in (lanky / "r.html").read_text("utf-8")
    assert all("()" not in (lanky / f"r.{name}").read_text("utf-8") for name in names)
    for name in ("junit", "markdown", "sarif"):
        assert words in (lanky / f"r.{name}").read_text("utf-8").replace("\\", ""), name
    # What to draw instead meets the limit that is broken.
    least = [float(number) for number in re.findall(r"([\d.]+) mm", told[0]["advice"])]
    assert max(least) >= 60 / 20 - 0.05


def test_a_waiver_of_a_limit_from_above_holds_until_it_is_broken_further(lanky: Path) -> None:
    command(lanky, "check", "--all", "--json", "r.json")
    told = json.loads((lanky / "r.json").read_text("utf-8"))["parts"][0]["findings"]
    until = str(date.today() + timedelta(30))
    words = []
    for one in told:
        words += ["waive", one["id"], "--why", "glued in", "--until", until]
        words += ["--report", "r.json", "then"]
    codes, output = command(lanky, *words, "check", "--all")
    assert codes == [0] * (len(told) + 1), output
    waivers = lanky / "waivers.yaml"
    before = waivers.read_text("utf-8")
    milder = before.replace(f"measures: [{told[0]['breaches'][0]['measured']:.4g}", "measures: [21")
    assert milder != before
    waivers.write_text(milder, "utf-8")
    codes, output = command(lanky, "check", "--all")
    assert codes == [1]
    assert "now, 21 before" in " ".join(output.split())
