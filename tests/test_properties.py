"""What holds for every part, tried on parts at random.

A few examples of each in CI, the same ones every time; many in a campaign, other ones every time:

    python -m pytest tests/test_properties.py --hypothesis-profile campaign -p no:xdist
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from unittest import mock

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from drawn import THICKNESS, parts
from hypothesis import assume, given, note, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from solids import box, mesh, tube

from wallguard.bands.declared import band_table
from wallguard.bands.table import BandTable
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.documents.reading import parse_document
from wallguard.findings.model import Finding, PartReport
from wallguard.findings.places import Boxes
from wallguard.jobs import workers
from wallguard.jobs.caching import Caching
from wallguard.jobs.check import Task, check_part, report_walls, run_checks
from wallguard.jobs.choose import Asked, How
from wallguard.jobs.review import review
from wallguard.mesh.health import examine
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.part.geometry import Geometry
from wallguard.reports.json_report import text
from wallguard.repository.entry import Assignment
from wallguard.rules.load import rules_from
from wallguard.rules.model import Rules

CAMPAIGN = settings.get_current_profile_name() == "campaign"

LAYERED = """\
wallguard: 1
name: layered
process: {category: material extrusion}
layer_height: 0.2
build_volume: [200, 200, 200]
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: from volume}
minimum: {wall: {fail: 0.83, warn: 1.23}, free_wall: {fail: 1.53}, gap: {fail: 0.43},
          hole: {fail: 2.03}, pin: {fail: 3.03}, floor: {fail: 8}, roof: {fail: 8}}
"""
SPACE = """\
wallguard: 1
name: space
process: {category: powder bed fusion}
layer_height: 0.1
bands: [{from: 0, to: 0.703, fill: missing}, {from: 0.703, fill: solid}]
minimum: {wall: {fail: 1.03, warn: 1.53}, gap: {fail: 0.53}, hole: {fail: 2.03}, pin: {fail: 3.03}}
"""
# The stated tolerance of a thickness, mm and in parts.
TOLERANCE, RELATIVE = 0.005, 0.005
# A floor or roof that is narrower on average, mm, may be one or none.
NARROW = 1.0


def examples(count: int) -> settings:
    """So many examples in CI; a campaign has the profile's factor as many."""
    return settings(max_examples=count * (settings().max_examples if CAMPAIGN else 1))


@cache
def rules_of(category: str) -> Rules:
    said = {"layered": LAYERED, "space": SPACE}[category]
    return rules_from(parse_document(said, f"{category}.yaml"), f"{category}.yaml")


def case_of(drawn: Mesh, rules: Rules) -> Case:
    geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0, "part")
    return Case(geometry, rules, band_table(rules))


def findings(drawn: Mesh, rules: Rules) -> list[Finding]:
    return run_checks(case_of(drawn, rules))[1]


# The same part told otherwise

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Told:
    """The same part, told in another way; `back` leads to places of the first."""

    mesh: Mesh
    back: Callable[[Floats], Floats] = lambda points: points
    turned: bool = False


def moved(solid: m3.Manifold, chance: np.random.Generator) -> Told:
    by = np.round(chance.uniform(-300, 300, 3), 3)
    drawn = mesh(solid)
    return Told(replace(drawn, vertices=drawn.vertices + by), lambda points: points - by)


def turned(solid: m3.Manifold, chance: np.random.Generator) -> Told:
    angle = chance.uniform(0, 2 * math.pi)
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    drawn = mesh(solid)
    told = replace(drawn, vertices=drawn.vertices @ turn)
    return Told(told, lambda points: points @ turn.T, turned=True)


def in_another_order(solid: m3.Manifold, chance: np.random.Generator) -> Told:
    drawn = mesh(solid)
    vertices = chance.permutation(len(drawn.vertices))
    triangles = np.argsort(vertices)[drawn.triangles][chance.permutation(len(drawn.triangles))]
    first = chance.integers(0, 3, len(triangles))
    triangles = triangles[np.arange(len(triangles))[:, None], (first[:, None] + np.arange(3)) % 3]
    return Told(Mesh(drawn.vertices[vertices], triangles.astype(np.int32)))


def exported(solid: m3.Manifold, chance: np.random.Generator) -> Told:
    drawn = mesh(solid)
    kind = str(chance.choice(["stl", "stl_ascii", "obj", "ply", "3mf"]))
    made = trimesh.Trimesh(drawn.vertices, drawn.triangles, process=False)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"part.{kind.partition('_')[0]}"
        made.export(path, file_type=kind)
        return Told(read_mesh(path))


def subdivided(solid: m3.Manifold, chance: np.random.Generator) -> Told:
    return Told(mesh(solid.refine(int(chance.integers(2, 5)))))


WAYS = (moved, turned, in_another_order, exported, subdivided)


def kind_of(finding: Finding) -> tuple[object, ...]:
    limits = [(each.check, each.severity, each.indeterminate) for each in finding.breaches]
    return (*sorted(limits), finding.fill)


def alike(one: Finding, other: Finding, told: Told) -> bool:
    """Whether a finding of a part is the other one of the part told otherwise."""
    if kind_of(one) != kind_of(other):
        return False
    a, b = one.measured or 0.0, other.measured or 0.0
    if abs(a - b) > TOLERANCE + RELATIVE * abs(a):
        return False
    if one.box is None or other.box is None or other.location is None:
        return one.box is other.box
    point = tuple(told.back(np.array([other.location]))[0].tolist())
    low, high = np.array(one.box)
    near = bool((low - 0.5 <= point).all() and (point <= high + 0.5).all())
    if told.turned:
        return near
    there = told.back(np.array(other.box))
    return near and Boxes([one.box]).meet((tuple(there[0]), tuple(there[1])))


def unmatched(
    ours: Sequence[Finding], theirs: Sequence[Finding], told: Told
) -> tuple[list[Finding], list[Finding]]:
    """What is left of both where as many as possible are matched."""
    pairs = np.array([[alike(one, other, told) for other in theirs] for one in ours], bool)
    pairs = pairs.reshape(len(ours), len(theirs))
    rows, columns = linear_sum_assignment(pairs, maximize=True)
    good = pairs[rows, columns]
    lonely = [each for at, each in enumerate(ours) if at not in rows[good]]
    return lonely, [each for at, each in enumerate(theirs) if at not in columns[good]]


def compared(found: Sequence[Finding]) -> list[Finding]:
    """Findings that must not depend on how a part is told. In which unit it is drawn is guessed
    from its box, where its format does not say; whether a place about as narrow as a bead is a
    floor is read off a grid."""
    return [each for each in found if each.check != "unit" and not _narrow(each)]


def _narrow(finding: Finding) -> bool:
    if finding.check not in ("floor", "roof") or finding.box is None:
        return False
    (side,), (low, high) = finding.size, np.array(finding.box)
    return bool(side * side < NARROW * math.dist(low[:2], high[:2]))


@pytest.mark.parametrize("category", ["layered", "space"])
@examples(12)
@given(solid=parts(), way=st.sampled_from(WAYS), seed=st.integers(0, 999))
def test_a_part_told_otherwise_has_the_same_findings(category, solid, way, seed):
    rules = rules_of(category)
    told = way(solid, np.random.default_rng(seed))
    before, after = findings(mesh(solid), rules), findings(told.mesh, rules)
    lonely, new = unmatched(compared(before), compared(after), told)
    note(f"{way.__name__}: {[each.message for each in lonely]} {[each.message for each in new]}")
    assert not lonely
    assert not new


# A thicker wall

SHAPES: dict[str, Callable[[float], m3.Manifold]] = {
    "wall": lambda t: box([12, t, 5]),
    "tee": lambda t: box([14, t, 5]) + box([t, 9, 5], [5, 0, 0]),
    "tube": lambda t: tube(12, t, 5, 64),
    "box": lambda t: box([16, 14, 5]) - box([16 - 2 * t, 14 - 2 * t, 9], [t, t, t]),
    "leaning": lambda t: m3.Manifold.extrude(
        m3.CrossSection([np.array([[0, 0], [12, 0], [12, t], [0, t]], float)]), 5
    ).transform([[1, 0, 0, 0], [0, 1, 0.4, 0], [0, 0, 1, 0]]),
}


@st.composite
def monotone_rules(draw) -> Rules:
    """Rules by which nothing is missing that is thicker than what is printed."""
    if draw(st.booleans()):
        edge = draw(THICKNESS)
        bands = f"bands: [{{from: 0, to: {edge}, fill: missing}}, {{from: {edge}, fill: solid}}]\n"
        said = SPACE.replace(SPACE[SPACE.index("bands") : SPACE.index("minimum")], bands)
    else:
        width = draw(st.integers(30, 80)) / 100
        squeeze = draw(st.integers(0, 15)) / 100
        settled = (
            f"beads: {{width: {width}, contours: {draw(st.integers(1, 3))}, "
            f"smallest_wall: {draw(st.integers(10, int(100 * width))) / 100}, squeeze: {squeeze}, "
            f"smallest_fill: {squeeze + draw(st.integers(2, 40)) / 100:.2f}, spacing: width, "
            f"between_one_and_two: {draw(st.sampled_from(('two beads', 'one bead')))}}}\n"
        )
        said = LAYERED.replace(LAYERED[LAYERED.index("beads") : LAYERED.index("minimum")], settled)
    return rules_from(parse_document(said, "rules.yaml"), "rules.yaml")


def missing_from(table: BandTable) -> bool:
    """Whether missing bands all come first."""
    gone = [band.fill == "missing" or "missing" in band.either for band in table.bands]
    return gone == sorted(gone, reverse=True)


@examples(15)
@given(
    shape=st.sampled_from(sorted(SHAPES)),
    t=THICKNESS,
    more=st.integers(1, 150),
    rules=monotone_rules(),
)
def test_a_thicker_wall_is_never_missing_where_a_thinner_one_is_printed(shape, t, more, rules):
    assume(missing_from(band_table(rules)))
    fills = []
    for thickness in (t, t + more / 100):
        walls = report_walls(case_of(mesh(SHAPES[shape](thickness)), rules))
        fills.append({wall.fill for wall in walls})
    note(f"{t} and {t + more / 100}: {fills}")
    if "missing" not in fills[0] and "uncertain" not in fills[0]:
        assert "missing" not in fills[1]


# Several rule files, and how a check is done


def untimed(report: PartReport) -> PartReport:
    return replace(report, seconds=0.0)


def save(path: Path, solid: m3.Manifold) -> None:
    drawn = mesh(solid)
    trimesh.Trimesh(drawn.vertices, drawn.triangles, process=False).export(path)


@examples(4)
@given(solid=parts(), turned=st.sampled_from((UPRIGHT, ((0, 0, 1), (0, 1, 0), (-1, 0, 0)))))
def test_two_rule_files_give_what_each_gives_alone(solid, turned):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "part.stl"
        save(path, solid)
        said = [
            (Assignment(f"{name}.yaml", turned), rules_of(name)) for name in ("layered", "space")
        ]
        both = check_part(Task("part.stl", path, tuple(said)))
        alone = [report for each in said for report in check_part(Task("part.stl", path, (each,)))]
    assert list(map(untimed, both)) == list(map(untimed, alone))


def repository(folder: Path, solids: Sequence[m3.Manifold]) -> None:
    (folder / "layered.yaml").write_text(LAYERED)
    (folder / "space.yaml").write_text(SPACE)
    (folder / "wallguard.yaml").write_text(
        "wallguard: 1\nparts: [{files: '*.stl', rules: [layered.yaml, space.yaml]}]\n"
    )
    for number, solid in enumerate(solids):
        save(folder / f"{number}.stl", solid)


def reviewed(folder: Path, how: How) -> str:
    """The JSON report without what a clock says."""
    made = json.loads(text(review(Asked(everything=True), how, here=folder).report))
    for part in made["parts"]:
        del part["seconds"]
    del made["seconds"], made["started"]
    return json.dumps(made)


@examples(1)
@given(solids=st.lists(parts(), min_size=3, max_size=3))
def test_neither_jobs_nor_a_cache_change_a_byte(solids):
    with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as store:
        folder = Path(place)
        repository(folder, solids)
        plain = reviewed(folder, How())
        cache = Caching(Path(store))
        # As if starting processes took no time: else three parts are not worth one.
        with mock.patch.object(workers, "_START", 0.0):
            for how in (How(cache=cache), How(cache=cache), How(jobs=2), How(jobs=2, cache=cache)):
                assert reviewed(folder, how) == plain


@pytest.mark.skipif(not CAMPAIGN, reason="a cluster takes long to start: in the campaign only")
@examples(1)
@given(solids=st.lists(parts(), min_size=3, max_size=3))
def test_nor_does_a_cluster(solids):
    from distributed import LocalCluster

    with (
        tempfile.TemporaryDirectory() as place,
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
    ):
        folder = Path(place)
        repository(folder, solids)
        assert reviewed(folder, How(cluster=cluster.scheduler_address)) == reviewed(folder, How())
