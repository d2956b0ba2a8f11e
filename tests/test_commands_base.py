"""`wallguard check --base`: two revisions of real repositories, and which findings gate."""

import hashlib
import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from design_repository import commit, git
from solids import box, save

from wallguard.commands.main import main
from wallguard.jobs import check as engine
from wallguard.jobs import workers
from wallguard.jobs.choose import Asked
from wallguard.jobs.review import review

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width}
minimum: {wall: {fail: 0.8}}
"""
REPOSITORY = """\
wallguard: 1
gate: {gate}
parts:
  - {{files: "parts/**/*.stl", rules: rules/grey.yaml}}
"""
FRAME = box([60, 2, 10]) + box([2, 40, 10])
OLD = FRAME + box([1.5, 40, 10], [20, 0, 0])
NEW_RIB = box([1.5, 40, 10], [40, 0, 0])


def write(root, gate="new"):
    (root / "rules").mkdir(parents=True, exist_ok=True)
    (root / "rules/grey.yaml").write_text(RULES)
    (root / "wallguard.yaml").write_text(REPOSITORY.format(gate=gate))


@pytest.fixture
def repo(tmp_path, monkeypatch):
    """A repository with one old part that has known trouble and one good part, on a branch."""
    root = tmp_path / "design"
    write(root)
    save(root / "parts/old.stl", OLD)
    save(root / "parts/good.stl", FRAME)
    (root / ".gitignore").write_text("report.*\n")
    git(root, "init", "-q", "-b", "main")
    commit(root)
    git(root, "checkout", "-qb", "branch")
    monkeypatch.chdir(root)
    return root


def report(root, *arguments):
    """Exit code and the JSON report of a run."""
    code = main(["check", *map(str, arguments), "--json", str(root / "report.json")])
    return code, json.loads((root / "report.json").read_text())


def states(data):
    """Of each part: how it stands, the states of its findings, how many are fixed."""
    return {
        part["path"]: (
            part["status"],
            sorted(finding["state"] for finding in part["findings"]),
            len(part["fixed"]),
        )
        for part in data["parts"]
    }


def counted(monkeypatch):
    """The paths that `check_part` is called with."""
    # In this process, where they are seen.
    monkeypatch.setattr(workers, "_START", 1e9)
    calls = []
    real = engine.check_part

    def check_part(task):
        calls.append(task.path)
        return real(task)

    monkeypatch.setattr(engine, "check_part", check_part)
    return calls


def test_old_trouble_blocks_nobody_and_new_trouble_does(repo):
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    code, data = report(repo, "--base", "main")
    assert code == 1
    assert states(data) == {"parts/old.stl": ("failed", ["new", "unchanged"], 0)}
    assert (data["base"], data["gate"]) == ("main", "new")
    assert data["base_commit"] == git(repo, "rev-parse", "main")
    assert data["summary"]["findings"]["fail"] == 1
    (new,) = [one for one in data["parts"][0]["findings"] if one["state"] == "new"]
    assert new["location"][0] == pytest.approx(40.75, abs=0.1)


def test_an_edit_elsewhere_passes(repo):
    save(repo / "parts/old.stl", OLD + box([5, 5, 10], [55, 0, 0]))
    code, data = report(repo, "--base", "main")
    assert (code, states(data)) == (0, {"parts/old.stl": ("passed", ["unchanged"], 0)})
    assert data["summary"]["findings"]["fail"] == 0
    assert {run["status"] for run in data["parts"][0]["checks"]} <= {"passed", "skipped"}


def test_the_same_part_moved_and_triangulated_anew_passes(repo):
    save(repo / "parts/old.stl", OLD.refine(2).translate([7, -3, 2]))
    assert report(repo, "--base", "main")[0] == 0


def test_what_is_mended_is_fixed(repo):
    save(repo / "parts/old.stl", FRAME + box([2, 40, 10], [20, 0, 0]))
    code, data = report(repo, "--base", "main")
    assert (code, states(data)) == (0, {"parts/old.stl": ("passed", [], 1)})
    assert data["parts"][0]["fixed"][0]["fill"] == "hollow"


def test_what_got_worse_gates(repo, capsys):
    save(repo / "parts/old.stl", FRAME + box([1.6, 40, 10], [20, 0, 0]))
    code, data = report(repo, "--base", "main")
    assert (code, states(data)) == (1, {"parts/old.stl": ("failed", ["new"], 0)})
    assert data["parts"][0]["findings"][0]["worse"] is True
    shown = " ".join(capsys.readouterr().out.split())
    assert "main has it too, but it got worse: more air: 0.45 mm now, 0.35 before" in shown


def test_with_gate_all_old_trouble_fails_too(repo):
    save(repo / "parts/old.stl", OLD + box([5, 5, 10], [55, 0, 0]))
    code, data = report(repo, "--base", "main", "--gate", "all")
    assert (code, states(data)) == (1, {"parts/old.stl": ("failed", ["unchanged"], 0)})


def test_the_option_wins_over_wallguard_yaml(repo):
    write(repo, "all")
    commit(repo)
    save(repo / "parts/old.stl", OLD + box([5, 5, 10], [55, 0, 0]))
    assert report(repo, "--base", "main", "parts/old.stl")[0] == 1
    assert report(repo, "--base", "main", "parts/old.stl", "--gate", "new")[0] == 0


def test_a_new_part_is_new(repo):
    save(repo / "parts/more.stl", OLD)
    code, data = report(repo, "--base", "main")
    assert (code, states(data)) == (1, {"parts/more.stl": ("failed", ["new"], 0)})


def test_what_others_did_on_the_base_since_does_not_count(repo):
    git(repo, "checkout", "-q", "main")
    save(repo / "parts/old.stl", FRAME)
    commit(repo)
    git(repo, "checkout", "-q", "branch")
    save(repo / "parts/old.stl", OLD + box([5, 5, 10], [55, 0, 0]))
    code, data = report(repo, "--base", "main")
    assert (code, states(data)) == (0, {"parts/old.stl": ("passed", ["unchanged"], 0)})
    assert data["base_commit"] == git(repo, "rev-parse", "branch")


def reviewed(*paths, **asked):
    """The report of a run, as Python has it."""
    return review(Asked(tuple(map(Path, paths)), **asked)).report


def test_what_only_a_changed_rule_file_brings_is_new_by_the_rules(repo):
    """Walls that printed solid are hollow: the case this project is for."""
    (repo / "rules/grey.yaml").write_text(RULES.replace("smallest_fill: 0.575", "smallest_fill: 1"))
    done = reviewed(base="main")
    assert done.exit_code == 1
    found = {part.path: part for part in done.parts}
    good = found["parts/good.stl"].findings
    assert [one.fill for one in good] == ["hollow"] * len(good) != []
    assert {(one.state, one.cause) for one in good} == {("new", "rules")}
    # The wall that was hollow before is not new.
    old = [one for one in found["parts/old.stl"].findings if one.state == "unchanged"]
    assert [one.measured for one in old] == [pytest.approx(1.5, abs=0.01)]
    assert [part.lost for part in done.parts] == [(), ()]


def test_a_stricter_minimum_is_new_by_the_rules(repo):
    (repo / "rules/grey.yaml").write_text(RULES.replace("fail: 0.8", "fail: 2.5"))
    done = reviewed(base="main")
    assert done.exit_code == 1
    assert {one.cause for part in done.parts for one in part.findings if one.state == "new"} == {
        "rules"
    }


def test_where_both_change_each_finding_has_its_cause(repo):
    """A minimum of 1.9 mm: the rib at 20 mm breaks it by the rules, that at 40 by the drawing."""
    (repo / "rules/grey.yaml").write_text(RULES.replace("fail: 0.8", "fail: 1.9"))
    rib = box([1.75, 40, 10], [40, 0, 0])
    save(repo / "parts/old.stl", OLD + rib)
    save(repo / "parts/good.stl", FRAME + rib)
    done = reviewed(base="main")
    found = {
        (part.path, round(one.location[0], -1), one.cause)
        for part in done.parts
        for one in part.findings
        if one.state == "new"
    }
    assert found == {
        ("parts/good.stl", 40, "drawing"),
        ("parts/old.stl", 20, "rules"),
        ("parts/old.stl", 40, "drawing"),
    }


def test_what_is_gone_only_because_less_is_asked_is_lost_and_not_fixed(repo):
    (repo / "rules/grey.yaml").write_text(
        RULES.replace("beads", "outcomes: {hollow: ignore}\nbeads")
    )
    done = reviewed(base="main")
    assert done.exit_code == 0
    found = {part.path: part for part in done.parts}
    assert [one.fill for one in found["parts/old.stl"].lost] == ["hollow"]
    assert found["parts/old.stl"].fixed == ()
    assert found["parts/good.stl"].lost == ()


def test_what_a_change_breaks_and_lets_pass_at_once_is_lost(repo):
    """Also where all findings fail, and nothing is told new."""
    write(repo, "all")
    commit(repo)
    (repo / "rules/grey.yaml").write_text(
        RULES.replace("beads", "outcomes: {hollow: ignore}\nbeads")
    )
    save(repo / "parts/more.stl", OLD)
    done = reviewed()
    assert (done.exit_code, done.base) == (0, "")
    lost = {part.path: len(part.lost) for part in done.parts}
    assert lost == {"parts/good.stl": 0, "parts/more.stl": 1, "parts/old.stl": 1}


def test_what_the_drawing_mends_while_less_is_asked_is_fixed(repo):
    (repo / "rules/grey.yaml").write_text(RULES.replace("fail: 0.8", "fail: 0.7"))
    save(repo / "parts/old.stl", FRAME + box([2, 40, 10], [20, 0, 0]))
    (part,) = [one for one in reviewed(base="main").parts if one.path == "parts/old.stl"]
    assert (len(part.fixed), part.lost, part.findings) == (1, (), ())


@pytest.mark.parametrize(
    "text",
    [
        REPOSITORY.format(gate="new") + "exclude: [parts/old.stl]\n",
        REPOSITORY.format(gate="new").replace("parts/**/*.stl", "parts/good.stl"),
        REPOSITORY.format(gate="new") + 'exclude: ["**"]\n',
    ],
)
@pytest.mark.parametrize("how", [{"base": "main"}, {}, {"paths": ("wallguard.yaml",)}])
def test_what_is_not_checked_any_more_is_told(repo, text, how):
    (repo / "wallguard.yaml").write_text(text)
    done = reviewed(*how.pop("paths", ()), **how)
    assert done.exit_code == 0
    dropped = {part.path: [one.fill for one in part.lost] for part in done.dropped}
    assert dropped["parts/old.stl"] == ["hollow"]
    assert "parts/old.stl" not in {part.path for part in done.parts}


def test_a_part_moved_to_where_nothing_covers_it_is_told(repo):
    (repo / "drafts").mkdir()
    git(repo, "mv", "parts/old.stl", "drafts/old.stl")
    (part,) = reviewed(base="main").dropped
    assert (part.path, len(part.lost)) == ("drafts/old.stl", 1)


def test_another_rule_file_stands_in_the_place_of_the_one_before(repo):
    (repo / "rules/mild.yaml").write_text(
        RULES.replace("beads", "outcomes: {hollow: ignore}\nbeads")
    )
    (repo / "wallguard.yaml").write_text(
        REPOSITORY.format(gate="new").replace("grey.yaml", "mild.yaml")
    )
    done = reviewed(base="main")
    assert done.exit_code == 0
    assert {part.path: len(part.lost) for part in done.parts} == {
        "parts/good.stl": 0,
        "parts/old.stl": 1,
    }
    assert {part.rules for part in done.parts} == {"rules/mild.yaml"}


def test_one_more_rule_file_brings_new_findings_by_the_rules(repo):
    (repo / "rules/strict.yaml").write_text(RULES.replace("fail: 0.8", "fail: 2.5"))
    both = REPOSITORY.format(gate="new").replace(
        "rules/grey.yaml", "[rules/grey.yaml, rules/strict.yaml]"
    )
    (repo / "wallguard.yaml").write_text(both)
    done = reviewed(base="main")
    assert done.exit_code == 1
    kinds = {(part.rules, one.state, one.cause) for part in done.parts for one in part.findings}
    assert kinds == {
        ("rules/grey.yaml", "unchanged", ""),
        ("rules/strict.yaml", "new", "rules"),
    }


def test_a_part_that_is_printed_otherwise_is_held_against_how_it_was_printed(repo):
    """A scale of 3 makes every wall thick enough: what that hides is lost."""
    (repo / "wallguard.yaml").write_text(
        REPOSITORY.format(gate="new").replace("grey.yaml}", "grey.yaml, scale: 3}")
    )
    done = reviewed(base="main")
    assert done.exit_code == 0
    assert {part.path: len(part.lost) for part in done.parts}["parts/old.stl"] == 1


def test_rules_that_cannot_be_used_at_the_base_hide_nothing(repo):
    (repo / "rules/grey.yaml").write_text("wallguard: 1\nname: [\n")
    commit(repo)
    (repo / "rules/grey.yaml").write_text(RULES)
    done = reviewed(base="HEAD")
    assert done.exit_code == 1
    (old,) = [part for part in done.parts if part.path == "parts/old.stl"]
    assert [one.state for one in old.findings] == ["new"]
    assert "rules/grey.yaml cannot be used there" in old.base_note


def test_a_repository_without_rules_until_now_is_held_to_those_of_now(repo):
    git(repo, "checkout", "-q", "--orphan", "fresh")
    git(repo, "rm", "-q", "--cached", "-r", ".")
    git(repo, "add", "parts")
    git(repo, "commit", "-qm", "parts")
    git(repo, "add", ".")
    done = reviewed(base="HEAD")
    assert done.exit_code == 0
    assert {one.state for part in done.parts for one in part.findings} == {"unchanged"}
    assert any("held to the rules of now" in one.message for one in done.remarks)


def test_rules_and_parts_that_did_not_change_cost_nothing_more(repo, monkeypatch):
    calls = counted(monkeypatch)
    (repo / "rules/grey.yaml").write_text(RULES.replace("name: bench", "name: our bench"))
    assert reviewed(base="main").exit_code == 0
    assert sorted(calls) == ["parts/good.stl", "parts/old.stl"]


def test_a_base_that_is_what_is_checked_is_no_silent_pass(repo, capsys):
    done = reviewed(everything=True)
    assert done.exit_code == 0
    (remark,) = done.remarks
    assert "what is checked is HEAD itself, so that nothing can be new" in remark.message
    assert "HEAD itself" in " ".join((main(["check"]), capsys.readouterr().out)[1].split())
    for how in (["--all"], []):
        assert main(["check", *how, "--gate", "new"]) == 2
        assert "Name the revision to compare with (--base)" in capsys.readouterr().err
    save(repo / "parts/more.stl", FRAME)
    assert reviewed(everything=True).remarks == ()


def test_the_report_names_what_was_checked_and_what_it_was_held_against(repo):
    main_commit = git(repo, "rev-parse", "main")
    (repo / "notes.txt").write_text("text")
    commit(repo)
    save(repo / "parts/more.stl", FRAME)
    done = reviewed(base="main")
    assert (done.base_commit, done.head_commit) == (main_commit, git(repo, "rev-parse", "HEAD"))
    assert reviewed("parts/more.stl").head_commit == git(repo, "rev-parse", "HEAD")


@pytest.mark.parametrize("edited", [False, True])
def test_a_renamed_part_is_compared_with_what_it_was(repo, edited):
    (repo / "parts/sub").mkdir()
    git(repo, "mv", "parts/old.stl", "parts/sub/new name ü.stl")
    if edited:
        git(repo, "mv", "parts/sub/new name ü.stl", "parts/sub/old.stl")
        save(repo / "parts/sub/old.stl", OLD.refine(2).translate([3, 0, 0]))
        git(repo, "add", ".")
    code, data = report(repo, "--base", "main")
    ((path, found),) = states(data).items()
    assert path.startswith("parts/sub/")
    assert (code, found) == (0, ("passed", ["unchanged"], 0))
    assert data["removed"] == ["parts/old.stl"]


def test_a_part_moved_by_hand_is_compared_too(repo):
    (repo / "parts/sub").mkdir()
    (repo / "parts/old.stl").rename(repo / "parts/sub/old.stl")
    assert report(repo, "--base", "main")[0] == 0


def test_only_what_changed_is_checked_and_that_twice(tmp_path, monkeypatch):
    root = tmp_path / "design"
    write(root)
    for number in range(60):
        save(root / f"parts/part {number:03}.stl", box([20 + number % 7, 1.5, 5]))
    git(root, "init", "-q", "-b", "main")
    commit(root)
    git(root, "checkout", "-qb", "branch")
    for number in range(0, 60, 12):
        save(root / f"parts/part {number:03}.stl", box([20 + number % 7, 1.5, 5]).refine(2))
    monkeypatch.chdir(root)
    calls = counted(monkeypatch)
    code, data = report(root, "--base", "main", "--no-cache")
    assert code == 0
    assert len(data["parts"]) == 5
    assert len(calls) <= 10
    calls.clear()
    code, data = report(root, "--base", "main", "--all", "--no-cache")
    assert code == 0
    assert len(data["parts"]) == 60
    assert data["summary"]["unchanged"] == 60
    assert len(calls) == 65  # those whose file is the same at the base only once


def test_any_number_of_jobs_gives_the_same(repo):
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    save(repo / "parts/good.stl", FRAME + NEW_RIB)

    def timeless(jobs):
        _, data = report(repo, "--base", "main", "--jobs", jobs)
        data.pop("seconds"), data.pop("started")
        return [{**part, "seconds": 0} for part in data.pop("parts")], data

    assert timeless(1) == timeless(3)


def test_the_hook_lets_old_trouble_pass_and_compares_what_is_staged(repo):
    save(repo / "parts/old.stl", OLD + box([5, 5, 10], [55, 0, 0]))
    git(repo, "add", ".")
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    code, data = report(repo, "--staged")
    assert (code, states(data)) == (0, {"parts/old.stl": ("passed", ["unchanged"], 0)})
    assert data["base"] == "HEAD"
    git(repo, "add", ".")
    assert report(repo, "--staged")[0] == 1


def test_with_gate_new_changed_since_is_the_base(repo):
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    commit(repo)
    code, data = report(repo, "--changed-since", "main")
    assert (code, data["base"]) == (1, "main")
    assert states(data) == {"parts/old.stl": ("failed", ["new", "unchanged"], 0)}


def test_before_the_first_commit_everything_is_new(tmp_path, monkeypatch, capsys):
    write(tmp_path)
    save(tmp_path / "parts/old.stl", OLD)
    git(tmp_path, "init", "-q", "-b", "main")
    git(tmp_path, "add", ".")
    monkeypatch.chdir(tmp_path)
    code, data = report(tmp_path, "--staged")
    assert (code, data["base"], data["gate"]) == (1, "", "all")
    assert main(["check", "--staged", "--gate", "new"]) == 2
    assert "no revision here to compare with" in capsys.readouterr().err


@pytest.mark.parametrize("more", [[], ["--all"], ["parts/old.stl"]])
def test_an_unknown_base(repo, capsys, more):
    assert main(["check", "--base", "nonsense", *more]) == 2
    assert "--base nonsense: git knows no such revision here" in capsys.readouterr().err


def test_a_base_that_cannot_be_read_hides_nothing(repo, capsys):
    (repo / "parts/broken.stl").write_bytes(b"")
    commit(repo)
    save(repo / "parts/broken.stl", OLD)
    code, data = report(repo, "--base", "HEAD")
    assert (code, states(data)["parts/broken.stl"]) == (1, ("failed", ["new"], 0))
    note = data["parts"][0]["base_note"]
    assert note.startswith("not compared with HEAD, so that all its findings count as new: ")
    assert "the file is empty" in note
    assert "not compared with HEAD" in " ".join(capsys.readouterr().out.split())


def pointer(content):
    digest = hashlib.sha256(content).hexdigest()
    text = (
        "version https://git-lfs.github.com/spec/v1\n"  # Git LFS specification v1 (from memory)
        f"oid sha256:{digest}\nsize {len(content)}\n"
    )
    return digest, text


@pytest.fixture
def lfs(repo):
    """A part kept in Git LFS at the base; gives back where its content would be."""
    content = (repo / "parts/old.stl").read_bytes()
    digest, text = pointer(content)
    (repo / "parts/old.stl").write_text(text)
    commit(repo)
    save(repo / "parts/old.stl", OLD + box([5, 5, 10], [55, 0, 0]))
    store = repo / ".git/lfs/objects" / digest[:2] / digest[2:4] / digest
    return store, content


def test_git_lfs_content_is_read_from_where_git_lfs_keeps_it(repo, lfs):
    store, content = lfs
    store.parent.mkdir(parents=True)
    store.write_bytes(content)
    code, data = report(repo, "--base", "HEAD")
    assert (code, states(data)) == (0, {"parts/old.stl": ("passed", ["unchanged"], 0)})


def test_git_lfs_content_that_was_not_fetched_hides_nothing_and_says_how_to_fetch(repo, lfs):
    code, data = report(repo, "--base", "HEAD")
    assert (code, states(data)) == (1, {"parts/old.stl": ("failed", ["new"], 0)})
    head = git(repo, "rev-parse", "HEAD")
    assert f"git lfs fetch origin {head}" in data["parts"][0]["base_note"]


def test_a_design_repository_in_a_folder_of_a_git_repository(tmp_path, monkeypatch):
    root = tmp_path / "hardware"
    write(root)
    save(root / "parts/old.stl", OLD)
    git(tmp_path, "init", "-q", "-b", "main")
    commit(tmp_path)
    save(root / "parts/old.stl", OLD + NEW_RIB)
    monkeypatch.chdir(root)
    code, data = report(root, "--base", "HEAD")
    assert (code, states(data)) == (1, {"parts/old.stl": ("failed", ["new", "unchanged"], 0)})


def test_reports_agree_on_what_gates(repo):
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    arguments = ["--base", "main", "--junit", "report.xml", "--markdown", "report.md"]
    assert main(["check", *arguments]) == 1
    suite, *_ = ET.parse(repo / "report.xml").getroot()
    assert suite.get("name", "").startswith("parts/old.stl")
    assert suite.get("failures") == "1"
    text = suite.findtext("testcase[@name='fill']/failure") or ""
    assert text.count("fail, new: wall 1.50 mm") == 1
    assert "fail, unchanged" in (suite.findtext("system-out") or "")
    page = (repo / "report.md").read_text()
    assert page.startswith("**Do not merge**: 1 of 1 part failed; 1 part not looked at. ")
    assert "Findings: 1 fail. Checked at `" in page
    assert ". Against `main`" in page
    assert "1 new, 1 unchanged, 0 fixed" in page


def test_a_gate_that_is_none_is_refused(repo, capsys):
    (repo / "wallguard.yaml").write_text(REPOSITORY.format(gate="news"))
    assert main(["check", "--all"]) == 2
    assert "wallguard.yaml:2:7: `gate`" in capsys.readouterr().out
    with pytest.raises(SystemExit) as ended:
        main(["check", "--gate", "news"])
    assert ended.value.code == 2
