"""What was found out before is used: the same bytes, nothing worked out twice, nothing trusted."""

import math
import re
import shutil
import subprocess
from dataclasses import fields, replace
from pathlib import Path

import manifold3d as m3
import pytest
from solids import box, mesh, save

from wallguard.base.errors import InputError
from wallguard.commands.main import main
from wallguard.findings.model import PartReport
from wallguard.jobs import check, compare
from wallguard.jobs.caching import Caching
from wallguard.jobs.check import Task, check_part, known_reports
from wallguard.jobs.known import KnownPart, _Stored
from wallguard.part import part as parts
from wallguard.part.geometry import Geometry
from wallguard.part.memory import recalled, remember
from wallguard.repository.entry import Assignment
from wallguard.rules.load import load_rules
from wallguard.sections.cut import cut
from wallguard.store.store import Store
from wallguard.walls.trace import find_walls

EXAMPLE = Path(__file__).resolve().parents[1] / "example_repo"
LAYERED = """\
wallguard: 1
name: layers
process: {category: material extrusion}
layer_height: 0.2
build_volume: [40, 40, 40]
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width}
minimum: {wall: {fail: 0.8, warn: 1.2}, gap: {fail: 0.4}, hole: {fail: 2}, pin: {fail: 3},
          floor: {fail: 8}, roof: {fail: 8}}
"""
POWDER = """\
wallguard: 1
name: powder
process: {category: powder bed fusion}
layer_height: 0.1
bands: [{from: 0, to: 0.7, fill: missing}, {from: 0.7, fill: solid}]
minimum: {wall: {fail: 1, warn: 1.5}, gap: {fail: 0.5}, hole: {fail: 2}, pin: {fail: 3}}
"""


def model():
    """Walls, gaps, holes, pins, floors and roofs that are all too thin."""
    solid = box([60, 30, 1.0], [0, 0, 0])
    for at in range(3):
        solid += box([0.3 + at * 0.2, 20, 5], [5 + at * 5, 5, 0])
        solid -= m3.Manifold.cylinder(5, 0.6, 0.6, 12).translate([42, 4 + at * 4, -1])
        solid += m3.Manifold.cylinder(5, 0.8, 0.8, 12).translate([50, 4 + at * 4, 0])
    solid += box([8, 8, 0.6], [32, 10, 4]) + box([1, 8, 5], [32, 10, 0])
    return solid + box([1, 20, 5], [31.6, 5, 0]) - box([10, 0.3, 3], [0, 10, -1])


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A design repository without git, with a good mesh and one full of faults."""
    (tmp_path / "layered.yaml").write_text(LAYERED)
    (tmp_path / "powder.yaml").write_text(POWDER)
    save(tmp_path / "good.stl", model())
    data = bytearray((tmp_path / "good.stl").read_bytes())
    count = int.from_bytes(data[80:84], "little") - 3
    data[80:84] = count.to_bytes(4, "little")
    (tmp_path / "open.stl").write_bytes(data[:-150])
    monkeypatch.chdir(tmp_path)
    return tmp_path


def task(name, store, *rules, **more):
    said = tuple((Assignment(one), load_rules(Path(one))) for one in rules)
    return Task(name, Path(name), said, store=store, **more)


def plain(reports):
    return [replace(one, seconds=0.0) for one in reports]


def forbidden(*_, **__):
    raise AssertionError("this was worked out before")


BOTH = ("layered.yaml", "powder.yaml")


@pytest.mark.parametrize("name", ["good.stl", "open.stl"])
def test_a_report_comes_back_as_it_was_and_no_mesh_is_read(place, monkeypatch, name):
    store = Store(place / "kept")
    fresh = check_part(task(name, None, *BOTH))
    assert len(fresh[0].findings) > 5
    assert known_reports(task(name, store, *BOTH)) is None
    assert repr(plain(check_part(task(name, store, *BOTH)))) == repr(plain(fresh))
    monkeypatch.setattr(parts, "read_mesh", forbidden)
    monkeypatch.setattr(check, "report_on", forbidden)
    known = known_reports(task(name, store, *BOTH))
    # repr also tells 3 from 3.0, which a report writes otherwise.
    assert repr(plain(known)) == repr(plain(fresh))
    assert repr(plain(check_part(task(name, store, *BOTH)))) == repr(plain(fresh))


@pytest.mark.parametrize("name", ["open.stl"])
def test_a_changed_rule_file_judges_anew_and_reads_no_mesh(place, monkeypatch, name):
    store = Store(place / "kept")
    check_part(task(name, store, *BOTH))
    for file in BOTH:
        text = Path(file).read_text()
        # Nothing by which walls are divided.
        Path(file).write_text(text.replace("hole: {fail: 2}", "hole: {warn: 2}"))
    fresh = check_part(task(name, None, *BOTH))
    monkeypatch.setattr(parts, "read_mesh", forbidden)
    assert repr(plain(check_part(task(name, store, *BOTH)))) == repr(plain(fresh))


def test_other_limits_of_walls_measure_anew_and_cut_nothing(place, monkeypatch):
    store = Store(place / "kept")
    check_part(task("good.stl", store, "layered.yaml"))
    Path("layered.yaml").write_text(LAYERED.replace("warn: 1.2", "warn: 1.3"))
    fresh = check_part(task("good.stl", None, "layered.yaml"))
    monkeypatch.setattr(parts, "read_mesh", forbidden)
    monkeypatch.setattr("wallguard.sections.cut.cut", forbidden)
    assert repr(plain(check_part(task("good.stl", store, "layered.yaml")))) == repr(plain(fresh))


def test_two_processes_are_compared_without_reading_a_mesh_again(place, monkeypatch):
    Path("other.yaml").write_text(LAYERED.replace("width: 0.45", "width: 0.5"))
    asked = ("layered.yaml", "other.yaml")
    fresh = compare.compare_part(task("good.stl", None, *asked))
    store = Store(place / "kept")
    first = compare.compare_part(task("good.stl", store, *asked))
    monkeypatch.setattr(parts, "read_mesh", forbidden)
    again = compare.compare_part(task("good.stl", store, *asked))
    assert len({repr(replace(one, seconds=0.0)) for one in (fresh, first, again)}) == 1


@pytest.mark.parametrize(
    "change",
    [
        lambda one: replace(one, rotation=((1, 0, 0), (0, 0, -1), (0, 1, 0))),
        lambda one: replace(one, scale=2.0),
        lambda one: replace(one, unit="inch"),
    ],
)
def test_how_a_part_lies_counts(place, change):
    store = Store(place / "kept")
    one = task("good.stl", store, "layered.yaml")
    check_part(one)
    ((lies, rules),) = one.assignments
    other = replace(one, assignments=((change(lies), rules),))
    assert known_reports(other) is None
    assert plain(check_part(other)) == plain(check_part(replace(other, store=None)))


def test_what_asks_nothing_and_what_a_part_is_called_do_not_count(place):
    store = Store(place / "kept")
    check_part(task("good.stl", store, "layered.yaml"))
    Path("layered.yaml").write_text(LAYERED.replace("name: layers", "name: renamed"))
    shutil.move("good.stl", "moved.stl")
    (known,) = known_reports(task("moved.stl", store, "layered.yaml"))
    assert (known.path, known.rules_name) == ("moved.stl", "renamed")


def test_every_field_of_a_report_is_kept_or_said_to_be_none():
    """A new field of a report has to be thought of here."""
    kept = {one.name for one in fields(_Stored)} - {"whole"}
    of_the_run = {"path", "rules", "rules_name", "seconds", "views", "error"}
    of_a_comparison = {"fixed", "lost", "was", "base_note"}
    of_toolpaths = {"facts"}
    every = {one.name for one in fields(PartReport)}
    assert every == kept | of_the_run | of_a_comparison | of_toolpaths


def test_errors_are_not_kept(place):
    Path("bad.stl").write_bytes(b"solid nothing")
    store = Store(place / "kept")
    (report,) = check_part(task("bad.stl", store, "layered.yaml"))
    assert report.status == "error"
    assert known_reports(task("bad.stl", store, "layered.yaml")) is None


def test_whole_entries_of_the_wrong_shape_are_not_believed(place, monkeypatch):
    store = Store(place / "kept")
    fresh = check_part(task("good.stl", store, "layered.yaml"))
    put = []
    with monkeypatch.context() as patch:
        patch.setattr(Store, "put", lambda self, key, content: put.append(key))
        check_part(task("good.stl", Store(place / "other"), "layered.yaml"))
    assert len(put) > 5
    for wrong in (b"", b"\xc0", b"\x81\xa1a\x01", b"\x93\x01\x02\x03", b"garbage"):
        for key in put:
            store.put(key, wrong)
        again = check_part(task("good.stl", store, "layered.yaml"))
        assert repr(plain(again)) == repr(plain(fresh))


@pytest.mark.parametrize("number", [math.inf, -math.inf, math.nan])
def test_what_is_kept_and_not_finite_is_not_believed(number):
    (wall,) = find_walls(cut(mesh(box([10, 1, 5])), 0.2), 2.0)
    kept = {}

    class Dictionary:
        recall, keep = kept.get, kept.__setitem__

    remember(Dictionary(), "stretches", "good", [wall])
    remember(Dictionary(), "stretches", "bad", [replace(wall, bend=number)])
    assert recalled(Dictionary(), "stretches", "good") == [wall]
    assert "bad" in kept and recalled(Dictionary(), "stretches", "bad") is None


def test_all_that_is_measured_on_the_example_can_be_kept(tmp_path, monkeypatch):
    lost = []
    once = Geometry._once

    def told(geometry, kind, arguments, measure):
        name = f"{kind} {arguments!r}"
        found = once(geometry, kind, arguments, measure)
        if geometry._memory is not None and geometry._memory.recall(_name(kind, arguments)) is None:
            lost.append(name)
        return found

    monkeypatch.setattr(Geometry, "_once", told)
    rules = load_rules(EXAMPLE / "rules/petg-0.4.yaml")
    store = Store(tmp_path)
    for file in sorted(EXAMPLE.rglob("*.stl"))[::3]:
        one = Task(file.name, file, ((Assignment("petg"), rules),), store=store)
        (report,) = check_part(one)
        assert known_reports(one) is not None, report.error
    assert lost == []


def _name(kind, arguments):
    from wallguard.part.memory import of

    return of(kind, *arguments)


def git(root, *arguments):
    who = ("-c", "user.name=t", "-c", "user.email=t@t")
    subprocess.run(["git", *who, *arguments], cwd=root, check=True, capture_output=True)


def test_no_folder_that_a_change_can_write_to_is_used(tmp_path):
    root = tmp_path / "repo"
    (root / "kept").mkdir(parents=True)
    git(root, "init", "-q")
    # Nothing of it is tracked: no change can bring anything.
    assert Caching(root / "kept").store(root) == Store(root / "kept")
    (root / "kept/entry").write_text("planted")
    git(root, "add", "-A")
    (root / "way").symlink_to("kept")
    (tmp_path / "open").mkdir(mode=0o777)
    (tmp_path / "open").chmod(0o777)
    (tmp_path / "file").write_text("")
    for folder in (root / "kept", root / "way", root, tmp_path, tmp_path / "open"):
        with pytest.raises(InputError, match="--no-cache"):
            Caching(folder).store(root)
    with pytest.raises(InputError, match="not a folder"):
        Caching(tmp_path / "file").store(root)
    inner = root / "designs"
    inner.mkdir()
    with pytest.raises(InputError, match="a change to the repository"):
        Caching(root / "kept").store(inner)
    assert Caching(tmp_path / "elsewhere").store(root) == Store(tmp_path / "elsewhere")


def test_without_git_no_folder_inside_is_used(place):
    with pytest.raises(InputError, match="a change to the repository"):
        Caching(place / "kept").store(place)


def test_a_usual_folder_that_cannot_be_used_is_passed_over(place, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(place))
    assert Caching().store(place) is None
    monkeypatch.setattr("wallguard.jobs.caching.usual_folder", lambda: None)
    assert Caching().store(place) is None


def written(*words):
    code = main(["check", "good.stl", "open.stl", "--rules", "layered.yaml", *words])
    text = Path("report.json").read_text()
    return code, re.sub(r'"(seconds|started)": [^,\n]*', "", text)


def test_reports_are_the_same_with_and_without(place, tmp_path_factory, capsys, monkeypatch):
    kept = str(tmp_path_factory.mktemp("kept"))
    json = ("--json", "report.json")
    without = written("--no-cache", *json)
    said = capsys.readouterr().out
    assert written("--cache", kept, *json) == without
    assert list(Path(kept).rglob("*"))
    monkeypatch.setattr(check, "check_part", forbidden)
    assert written("--cache", kept, *json) == without
    assert capsys.readouterr().out == said * 2
    # A file in its place: silently without.
    monkeypatch.setattr(check, "check_part", check_part)
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null")
    assert written(*json) == without


def test_a_folder_that_cannot_be_trusted_is_refused_in_words(place, capsys):
    assert main(["check", "good.stl", "--rules", "layered.yaml", "--cache", "kept"]) == 2
    said = capsys.readouterr().err
    assert "kept: a change to the repository that is checked may put something" in said
    assert "--no-cache" in said


def test_another_program_has_other_keys(place, monkeypatch):
    data = Path("good.stl").read_bytes()
    ((lies, rules),) = task("good.stl", None, "layered.yaml").assignments
    store = Store(place / "kept")
    check_part(task("good.stl", store, "layered.yaml"))
    assert KnownPart(store, data, ".STL").report(lies, rules) is not None
    assert KnownPart(store, data, ".obj").report(lies, rules) is None
    assert KnownPart(store, data + b" ", ".stl").report(lies, rules) is None
    monkeypatch.setattr("wallguard.jobs.known.stamp", lambda: "another")
    assert KnownPart(store, data, ".stl").report(lies, rules) is None
