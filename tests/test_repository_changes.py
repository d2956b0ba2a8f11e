"""What changed, asked of real git repositories made for each test."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from wallguard.base.errors import InputError
from wallguard.repository import changes, git
from wallguard.repository.changes import (
    Changes,
    all_files,
    changed_since,
    find_root,
    merge_base,
    renamed,
    select,
    staged,
    working,
)
from wallguard.repository.config import parse_repository
from wallguard.repository.staged import (
    in_commit,
    in_index,
    is_pointer,
)

CONFIG = """\
wallguard: 1
parts:
  - files: "brackets/*.stl"
    rules: rules/petg.yaml
  - files: "models/*.stl"
    rules: rules/pla.yaml
exclude: ["**/draft.stl"]
"""
ODD = ["two words.stl", "Brücke Süd.stl", "-dash.stl", "tab\tand\nline.stl", '"quoted" *?.stl']


class Work:
    """A git repository under construction."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def git(self, *arguments: str) -> str:
        done = subprocess.run(
            ["git", "-C", str(self.root), *arguments], capture_output=True, text=True, check=True
        )
        return done.stdout.strip()

    def write(self, name: str, text: str = "one\n") -> Path:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def commit(self, *names: str) -> str:
        for name in names:
            self.write(name)
        self.git("add", "--all")
        self.git("commit", "--quiet", "--message", "work")
        return self.git("rev-parse", "HEAD")


@pytest.fixture(autouse=True)
def no_git_settings(monkeypatch, tmp_path):
    for name in [name for name in os.environ if name.startswith("GIT_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(tmp_path / "gitconfig"))
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")
    (tmp_path / "gitconfig").write_text(
        "[user]\nname = Tester\nemail = tester@example.org\n"
        '[init]\ndefaultBranch = main\n[protocol "file"]\nallow = always\n'
    )


@pytest.fixture
def work(tmp_path) -> Work:
    root = tmp_path / "design"
    root.mkdir()
    made = Work(root)
    made.git("init", "--quiet")
    return made


def same(found: Changes, present=(), removed=()) -> bool:
    return found == Changes(tuple(sorted(present)), tuple(sorted(removed)))


def test_root_is_the_nearest_folder_with_a_wallguard_yaml(work):
    inside = work.root / "parts" / "deep"
    inside.mkdir(parents=True)
    assert find_root(inside) == work.root.resolve()
    work.write("parts/wallguard.yaml")
    assert find_root(inside) == work.root.resolve() / "parts"


def test_root_outside_git_is_the_folder_with_a_wallguard_yaml_or_the_start(tmp_path):
    inside = tmp_path / "a" / "b"
    inside.mkdir(parents=True)
    assert find_root(inside) == inside.resolve()
    (tmp_path / "a" / "wallguard.yaml").touch()
    assert find_root(inside) == (tmp_path / "a").resolve()


def test_before_the_first_commit_everything_is_new(work):
    work.write("a.stl")
    work.write("b.stl")
    work.write("ignored.stl")
    work.write(".gitignore", "ignored.stl\n")
    work.git("add", "a.stl")
    assert same(staged(work.root), ["a.stl"])
    assert same(working(work.root), [".gitignore", "a.stl", "b.stl"])
    with pytest.raises(InputError, match="no commits here yet"):
        changed_since(work.root, "main")


def test_staged_working_and_untracked_are_told_apart(work):
    work.commit("kept.stl", "staged.stl", "edited.stl", "deleted.stl", "gone.stl")
    work.write("staged.stl", "two\n")
    work.write("new.stl")
    work.git("rm", "--quiet", "deleted.stl")
    work.git("add", "staged.stl", "new.stl")
    work.write("edited.stl", "two\n")
    work.write("untracked.stl")
    (work.root / "gone.stl").unlink()
    assert same(staged(work.root), ["new.stl", "staged.stl"], ["deleted.stl"])
    assert same(
        working(work.root),
        ["edited.stl", "new.stl", "staged.stl", "untracked.stl"],
        ["deleted.stl", "gone.stl"],
    )
    assert all_files(work.root) == [
        "edited.stl", "kept.stl", "new.stl", "staged.stl", "untracked.stl",
    ]  # fmt: skip
    assert in_index(work.root).files == [
        "edited.stl", "gone.stl", "kept.stl", "new.stl", "staged.stl",
    ]  # fmt: skip


def test_a_rename_is_one_name_gone_and_one_there(work):
    work.commit("old.stl")
    work.git("mv", "old.stl", "new name.stl")
    assert same(staged(work.root), ["new name.stl"], ["old.stl"])


def test_a_file_dropped_from_the_index_but_still_there_is_present(work):
    work.commit("a.stl")
    work.git("rm", "--quiet", "--cached", "a.stl")
    assert same(staged(work.root), [], ["a.stl"])
    assert same(working(work.root), ["a.stl"])


@pytest.mark.skipif(sys.platform == "win32", reason="these names cannot exist there")
def test_names_of_every_kind_come_through_unchanged(work, tmp_path):
    base = work.commit("first")
    for name in ODD:
        work.write(name)
    assert same(working(work.root), ODD)
    work.git("add", "--all")
    assert same(staged(work.root), ODD)
    assert same(changed_since(work.root, base), ODD)
    assert all_files(work.root) == sorted([*ODD, "first"])
    found = in_index(work.root).content(ODD, tmp_path / "into")
    assert {name: path.read_text() for name, path in found.items()} == dict.fromkeys(ODD, "one\n")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_a_name_that_is_no_text_is_kept(work):
    work.commit("first")
    name = os.fsdecode(b"caf\xe9.stl")
    work.write(name)
    assert same(working(work.root), [name])
    assert all_files(work.root) == sorted(["first", name])


def test_a_change_of_mode_or_kind_is_a_change(work):
    work.commit("mode.stl", "kind.stl")
    (work.root / "mode.stl").chmod(0o755)
    (work.root / "kind.stl").unlink()
    (work.root / "kind.stl").symlink_to("mode.stl")
    assert same(working(work.root), ["kind.stl", "mode.stl"])


def test_changed_since_counts_this_branch_only_and_what_is_not_committed(work):
    work.commit("a.stl", "b.stl", "c.stl")
    work.git("checkout", "--quiet", "-b", "branch")
    work.commit("mine.stl")
    work.git("checkout", "--quiet", "main")
    work.write("a.stl", "theirs\n")
    work.commit("theirs.stl")
    work.git("checkout", "--quiet", "branch")
    work.write("b.stl", "two\n")
    work.write("untracked.stl")
    (work.root / "c.stl").unlink()
    assert same(changed_since(work.root, "main"), ["b.stl", "mine.stl", "untracked.stl"], ["c.stl"])


def test_changed_since_on_the_merge_that_a_forge_checks_out_is_the_branch(work):
    work.commit("a.stl")
    work.git("checkout", "--quiet", "-b", "branch")
    work.commit("mine.stl")
    work.git("checkout", "--quiet", "main")
    work.commit("theirs.stl")
    work.git("checkout", "--quiet", "--detach")
    work.git("merge", "--quiet", "--no-edit", "branch")
    assert same(changed_since(work.root, "main"), ["mine.stl"])


@pytest.mark.parametrize("revision", ["v1", "HEAD~1", "HEAD^{/work}~1", "main~1", "@~1"])
def test_a_revision_may_be_written_in_any_way_git_knows(work, revision):
    work.commit("a.stl")
    work.git("tag", "-a", "-m", "a tag object", "v1")
    work.commit("b.stl")
    assert same(changed_since(work.root, revision), ["b.stl"])


@pytest.mark.parametrize(
    "revision",
    ["", "nowhere", "origin/main", "main..HEAD", "^main", "main^{tree}", "f" * 40, "a b"],
)
def test_an_unknown_revision_is_named_with_what_to_do(work, revision):
    work.commit("a.stl")
    with pytest.raises(InputError) as error:
        changed_since(work.root, revision)
    assert str(error.value).startswith(f"--changed-since {revision}: git knows no such revision")
    assert "git fetch" in str(error.value)


def test_a_missing_remote_branch_is_fetched_under_its_name(work):
    work.commit("a.stl")
    with pytest.raises(InputError, match="`git fetch origin main:refs/remotes/origin/main`"):
        changed_since(work.root, "origin/main")


@pytest.mark.parametrize("revision", ["--output=stolen", "-h", "--all", "-", "a\0b"])
def test_a_revision_never_becomes_an_option(work, revision):
    work.commit("a.stl")
    with pytest.raises(InputError, match="no such revision"):
        changed_since(work.root, revision)
    assert all_files(work.root) == ["a.stl"]


def test_a_shallow_clone_is_told_to_fetch_its_history(work, tmp_path):
    work.commit("a.stl")
    work.git("checkout", "--quiet", "-b", "branch")
    work.commit("b.stl")
    work.git("checkout", "--quiet", "main")
    work.commit("c.stl")
    subprocess.run(
        ["git", "clone", "--quiet", "--depth=1", "--no-single-branch", "--branch=branch",
         work.root.as_uri(), str(tmp_path / "clone")],
        check=True,
    )  # fmt: skip
    clone = Work(tmp_path / "clone")
    with pytest.raises(InputError, match=r"no common history.*fetch --unshallow.*fetch-depth: 0"):
        changed_since(clone.root, "origin/main")
    with pytest.raises(InputError, match=r"no such revision.*--unshallow upstream main:refs"):
        changed_since(clone.root, "upstream/main")
    clone.git("fetch", "--quiet", "--unshallow")
    assert same(changed_since(clone.root, "origin/main"), ["b.stl"])


def test_histories_that_never_met_are_refused(work):
    work.commit("a.stl")
    work.git("checkout", "--quiet", "--orphan", "other")
    work.commit("b.stl")
    with pytest.raises(InputError, match=r"no common history.*Name a revision"):
        changed_since(work.root, "main")


def test_a_repository_in_a_folder_of_another_sees_only_itself(work, tmp_path):
    base = work.commit("outside.stl", "design/a.stl")
    work.write("outside.stl", "two\n")
    work.write("design/a.stl", "two\n")
    work.write("design/b.stl")
    work.git("mv", "outside.stl", "design/moved.stl")
    root = work.root / "design"
    assert same(working(root), ["a.stl", "b.stl", "moved.stl"])
    assert same(changed_since(root, base), ["a.stl", "b.stl", "moved.stl"])
    assert same(staged(root), ["moved.stl"])
    assert all_files(root) == ["a.stl", "b.stl", "moved.stl"]
    assert list(in_index(root).content(["a.stl", "outside.stl"], tmp_path / "into")) == ["a.stl"]


def test_submodules_and_repositories_inside_are_left_out(work, tmp_path):
    other = Work(tmp_path / "other")
    other.root.mkdir()
    other.git("init", "--quiet")
    other.commit("theirs.stl")
    work.commit("a.stl")
    work.git("submodule", "--quiet", "add", other.root.as_uri(), "sub.stl")
    (work.root / "nested").mkdir()
    Work(work.root / "nested").git("init", "--quiet")
    Work(work.root / "nested").commit("b.stl")
    assert same(staged(work.root), [".gitmodules"])
    assert same(working(work.root), [".gitmodules"])
    assert all_files(work.root) == [".gitmodules", "a.stl"]
    assert in_index(work.root).files == [".gitmodules", "a.stl"]


def test_a_merge_with_conflicts_is_refused_as_a_commit_and_seen_as_work(work, tmp_path):
    work.commit("a.stl")
    work.git("checkout", "--quiet", "-b", "branch")
    work.write("a.stl", "mine\n")
    work.commit()
    work.git("checkout", "--quiet", "main")
    work.write("a.stl", "theirs\n")
    work.commit()
    with pytest.raises(subprocess.CalledProcessError):
        work.git("merge", "branch")
    with pytest.raises(InputError, match=r"a\.stl: it has conflicts"):
        staged(work.root)
    assert same(working(work.root), ["a.stl"])
    assert all_files(work.root) == ["a.stl"]
    assert in_index(work.root).content(["a.stl"], tmp_path / "into") == {}


def test_settings_that_change_how_git_prints_change_nothing(work):
    work.commit("sub/a.stl")
    work.git("config", "diff.external", "false")
    work.git("config", "diff.renames", "copies")
    work.git("config", "color.ui", "always")
    work.git("config", "core.quotePath", "true")
    work.git("mv", "sub/a.stl", "ü.stl")
    assert same(staged(work.root), ["ü.stl"], ["sub/a.stl"])


def test_a_hook_sees_the_index_of_the_commit_wherever_it_runs(work, tmp_path):
    """`git commit FILE` commits another index than the usual one, and says so to the hook."""
    work.commit("design/a.stl", "design/b.stl")
    work.write("design/a.stl", "two\n")
    work.write("design/b.stl", "two\n")
    work.git("add", "--all")
    seen = tmp_path / "seen"
    hook = work.write(
        ".git/hooks/pre-commit",
        f"#!{sys.executable}\nfrom pathlib import Path\n"
        f"import sys; sys.path[:0] = {[str(Path(changes.__file__).parents[2])]!r}\n"
        "from wallguard.repository.changes import find_root, staged\n"
        f"Path({str(seen)!r}).write_text(repr(staged(find_root(Path('design')))))\n",
    )
    hook.chmod(0o755)
    work.write("design/wallguard.yaml")
    work.git("commit", "--quiet", "--message", "one file", "design/a.stl")
    assert seen.read_text() == repr(Changes(("a.stl",)))
    work.git("commit", "--quiet", "--all", "--message", "the rest")
    assert seen.read_text() == repr(Changes(("b.stl",)))
    work.git("add", "--all")
    work.git("worktree", "add", "--quiet", str(tmp_path / "second"), "-b", "second")
    second = Work(tmp_path / "second")
    second.write("design/c.stl")
    second.write("design/wallguard.yaml")
    second.git("add", "design/c.stl")
    second.git("commit", "--quiet", "--message", "in another work tree")
    assert seen.read_text() == repr(Changes(("c.stl",)))


def test_outside_git_files_are_walked_and_changes_refused(tmp_path):
    root = tmp_path / "plain"
    for name in ("a.stl", "deep/er/b.stl", ".hidden/c.stl", ".keep"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).touch()
    (root / "out").symlink_to(tmp_path, target_is_directory=True)
    assert all_files(root) == [".keep", "a.stl", "deep/er/b.stl"]
    for ask in (staged, working, lambda folder: changed_since(folder, "main")):
        with pytest.raises(InputError, match="in no git repository"):
            ask(root)


def test_walking_has_an_end(tmp_path, monkeypatch):
    monkeypatch.setattr(changes, "MAX_FILES", 2)
    for name in "abc":
        (tmp_path / name).touch()
    with pytest.raises(InputError, match="more than 2 files"):
        all_files(tmp_path)


def test_without_git_the_error_says_to_install_it(work, tmp_path, monkeypatch):
    work.commit("a.stl")
    monkeypatch.setenv("PATH", str(tmp_path))
    for ask in (
        staged,
        all_files,
        lambda root: in_index(root).content(["a.stl"], tmp_path / "into"),
    ):
        with pytest.raises(InputError, match="git is not installed"):
            ask(work.root)


def test_a_git_that_hangs_is_given_up(work, monkeypatch):
    work.commit("a.stl")
    monkeypatch.setattr(git, "_PATIENCE", 0.001)
    monkeypatch.setattr(git, "_command", lambda folder, *rest: ["sleep", "5"])
    with pytest.raises(InputError, match="git diff gave no answer"):
        staged(work.root)


def test_what_git_complains_of_is_passed_on(work):
    work.commit("a.stl")
    (work.root / ".git" / "index").write_bytes(b"broken")
    with pytest.raises(InputError, match=r"git diff failed: .*index"):
        staged(work.root)


def test_staged_content_is_that_of_the_index(work, tmp_path):
    work.commit("parts/a.stl", "b.stl")
    work.write("parts/a.stl", "staged\n")
    work.git("add", "--all")
    work.write("parts/a.stl", "edited after\n")
    (work.root / "b.stl").unlink()
    into = tmp_path / "into"
    found = in_index(work.root).content(["parts/a.stl", "b.stl", "unknown.stl"], into)
    assert found == {"parts/a.stl": into / "parts" / "a.stl", "b.stl": into / "b.stl"}
    assert [path.read_text() for path in found.values()] == ["staged\n", "one\n"]


def test_staged_content_of_any_bytes(work, tmp_path):
    data = bytes(range(256)) * 20_000 + b"\r\n"
    (work.root / "big.stl").write_bytes(data)
    (work.root / "empty.stl").touch()
    work.git("add", "--all")
    found = in_index(work.root).content(["big.stl", "empty.stl"], tmp_path)
    assert [found[name].read_bytes() for name in ("big.stl", "empty.stl")] == [data, b""]


def test_a_staged_link_is_followed_within_the_index_only(work, tmp_path):
    work.write("shared/real.stl", "staged\n")
    work.write("secret.stl", "not staged\n")
    for name, target in (
        ("parts/first.stl", "../shared/real.stl"),
        ("parts/second.stl", "first.stl"),
        ("loop.stl", "loop.stl"),
        ("out.stl", "../../secret.stl"),
        ("unstaged.stl", "secret.stl"),
    ):
        (work.root / name).parent.mkdir(exist_ok=True)
        (work.root / name).symlink_to(target)
    work.git("add", "--all")
    work.git("rm", "--quiet", "--cached", "secret.stl")
    work.write("shared/real.stl", "edited after\n")
    into = tmp_path / "into"
    names = [name for name in in_index(work.root).files if name != "shared/real.stl"]
    found = in_index(work.root).content(names, into)
    for _ in range(2):  # the second time must not write through the links of the first
        assert found["parts/first.stl"].read_text() == "staged\n"
        assert found["parts/second.stl"].read_text() == "staged\n"
        assert found["loop.stl"].read_text() == "loop.stl"
        assert not found["unstaged.stl"].exists()
        assert found["out.stl"].is_symlink()
        found = in_index(work.root).content(names, into)


def test_an_index_that_leads_out_of_the_folder_is_refused(work, tmp_path, monkeypatch):
    work.commit("a.stl")
    blob = work.git("rev-parse", "HEAD:a.stl")
    for name in ("../a.stl", "b/../../a.stl", "/a.stl", ".."):
        listed = f"100644 {blob} 0\t{name}\0".encode()
        monkeypatch.setattr(git, "output", lambda *_, listed=listed: listed)
        with pytest.raises(InputError, match="outside the repository"):
            in_index(work.root).content([name], tmp_path / "into")
    assert not (tmp_path / "a.stl").exists()


def pointer(data: bytes) -> str:
    digest = hashlib.sha256(data).hexdigest()
    return f"version https://git-lfs.github.com/spec/v1\noid sha256:{digest}\nsize {len(data)}\n"


def test_for_an_lfs_pointer_the_same_file_is_used_from_the_work_tree(work, tmp_path):
    work.write("a.stl", pointer(b"real mesh"))
    work.git("add", "--all")
    work.write("a.stl", "real mesh")
    assert in_index(work.root).content(["a.stl"], tmp_path)["a.stl"].read_text() == "real mesh"


def test_for_an_lfs_pointer_the_same_file_is_used_from_the_store(work, tmp_path):
    work.write("a.stl", pointer(b"real mesh"))
    work.git("add", "--all")
    work.write("a.stl", "edited after")
    digest = hashlib.sha256(b"real mesh").hexdigest()
    work.write(f".git/lfs/objects/{digest[:2]}/{digest[2:4]}/{digest}", "real mesh")
    assert in_index(work.root).content(["a.stl"], tmp_path)["a.stl"].read_text() == "real mesh"


def test_an_lfs_pointer_to_something_else_stays_a_pointer(work, tmp_path):
    work.write("a.stl", pointer(b"real mesh"))
    work.git("add", "--all")
    work.write("a.stl", "like mesh")
    found = in_index(work.root).content(["a.stl"], tmp_path)
    assert found["a.stl"].read_text() == pointer(b"real mesh")


def test_content_that_git_has_lost_is_an_error(work, tmp_path):
    work.commit("a.stl")
    blob = work.git("rev-parse", "HEAD:a.stl")
    (work.root / ".git" / "objects" / blob[:2] / blob[2:]).unlink()
    with pytest.raises(InputError, match=r"not got the content of a\.stl"):
        in_index(work.root).content(["a.stl"], tmp_path / "into")


FILES = ["brackets/a.stl", "brackets/b.stl", "brackets/draft.stl", "models/c.stl", "loose.STL",
         "README.md", "wallguard.yaml", "rules/petg.yaml", "rules/pla.yaml"]  # fmt: skip
MADE_OF = {
    "rules/petg.yaml": ("rules/petg.yaml", "rules/base.yaml"),
    "rules/pla.yaml": ("rules/pla.yaml",),
}


def chosen(*present: str, removed: tuple[str, ...] = (), made_of=MADE_OF.__getitem__) -> list[str]:
    repository = parse_repository(CONFIG, Path("anywhere"))
    return select(repository, Changes(present, removed), lambda: FILES, made_of)


def test_changed_parts_are_chosen_but_not_excluded_ones():
    assert chosen("models/c.stl", "brackets/draft.stl", "README.md") == ["models/c.stl"]


def test_a_part_that_nothing_covers_is_chosen_too():
    assert chosen("loose.STL") == ["loose.STL"]


def test_a_removed_part_is_not_chosen():
    assert chosen(removed=("models/c.stl",)) == []


def test_a_changed_rule_file_chooses_what_it_governs():
    assert chosen("rules/petg.yaml") == ["brackets/a.stl", "brackets/b.stl"]
    assert chosen("rules/pla.yaml", "brackets/b.stl") == ["brackets/b.stl", "models/c.stl"]


def test_a_changed_file_that_a_rule_file_extends_counts_also_when_removed():
    assert chosen("rules/base.yaml") == ["brackets/a.stl", "brackets/b.stl"]
    assert chosen(removed=("rules/base.yaml",)) == ["brackets/a.stl", "brackets/b.stl"]


def test_a_changed_wallguard_yaml_chooses_all_parts():
    everything = ["brackets/a.stl", "brackets/b.stl", "loose.STL", "models/c.stl"]
    assert chosen("wallguard.yaml") == everything
    assert chosen(removed=("wallguard.yaml",)) == everything


def test_a_yaml_file_that_is_no_rule_file_chooses_nothing():
    assert chosen("pipeline.yaml") == []


def test_a_rule_file_that_cannot_be_used_is_chosen_for_when_yaml_changed():
    def made_of(path: str) -> tuple[str, ...]:
        if path == "rules/pla.yaml":
            raise InputError(path, "broken")
        return MADE_OF[path]

    assert chosen("rules/elsewhere.yaml", made_of=made_of) == ["models/c.stl"]


def test_a_commit_of_something_else_reads_no_rule_file_and_lists_nothing():
    def refuse(*_: str) -> list[str]:
        raise AssertionError

    repository = parse_repository(CONFIG, Path("anywhere"))
    assert select(repository, Changes(("README.md", "models/c.stl")), refuse, refuse) == [
        "models/c.stl"
    ]


def test_importing_these_modules_loads_nothing_heavy():
    code = (
        "import sys, wallguard.repository.changes, wallguard.repository.staged\n"
        "print(sorted({'numpy', 'trimesh', 'scipy', 'manifold3d'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_what_a_commit_holds_is_laid_out_whatever_came_after(work, tmp_path):
    for name in ODD:
        work.write(name, f"{name} before")
    work.write("target.stl", "linked")
    (work.root / "link.stl").symlink_to("target.stl")
    before = work.commit()
    for name in ODD:
        work.write(name, "after")
    work.write("new.stl")
    work.commit()
    found = in_commit(work.root, before).content([*ODD, "link.stl", "new.stl"], tmp_path / "there")
    assert sorted(found) == sorted([*ODD, "link.stl"])
    assert [found[name].read_text() for name in ODD] == [f"{name} before" for name in ODD]
    assert found["link.stl"].read_text() == "linked"
    assert not found["link.stl"].is_symlink()


def test_git_lfs_content_of_a_commit_comes_from_its_store(work, tmp_path):
    content = b"solid"
    digest = hashlib.sha256(content).hexdigest()
    pointer = (
        f"version https://git-lfs.github.com/spec/v1\noid sha256:{digest}\nsize {len(content)}\n"
    )
    work.write("part.stl", pointer)
    commit = work.commit()
    found = in_commit(work.root, commit).content(["part.stl"], tmp_path / "one")
    assert is_pointer(found["part.stl"])
    store = work.write(f".git/lfs/objects/{digest[:2]}/{digest[2:4]}/{digest}")
    store.write_bytes(content)
    found = in_commit(work.root, commit).content(["part.stl"], tmp_path / "two")
    assert not is_pointer(found["part.stl"])
    assert found["part.stl"].read_bytes() == content


def test_renamed_parts_are_found_among_parts_only(work):
    text = "".join(f"line {number}\n" for number in range(100))
    for name in ("a.stl", "b.STL", "c.3mf", "note.txt"):
        work.write(name, f"{name}\n{text}")
    base = work.commit()
    work.git("mv", "a.stl", "Größe 1.stl")
    work.git("mv", "note.txt", "other.txt")
    (work.root / "sub").mkdir()
    work.git("mv", "b.STL", "sub/b2.STL")
    work.write("sub/b2.STL", f"b.STL\n{text}more\n")
    work.git("add", "--all")
    (work.root / "c.3mf").unlink()
    work.write("sub/c.3mf", "all else")  # not even known to git yet
    assert renamed(work.root, base) == {
        "Größe 1.stl": "a.stl",
        "sub/b2.STL": "b.STL",
        "sub/c.3mf": "c.3mf",
    }
    assert renamed(work.root, base, staged=True) == {"Größe 1.stl": "a.stl", "sub/b2.STL": "b.STL"}


def test_files_of_one_name_are_paired_only_where_no_choice_is_left(work):
    base = work.commit("one/part.stl", "two/part.stl")
    work.write("one/part.stl").unlink()
    work.write("two/part.stl").unlink()
    work.write("three/part.stl", "otherwise\n")
    assert renamed(work.root, base) == {}


def test_the_merge_base_is_where_the_branch_left(work):
    base = work.commit("a.stl")
    work.git("checkout", "--quiet", "-b", "branch")
    work.commit("b.stl")
    work.git("checkout", "--quiet", "main")
    work.commit("c.stl")
    work.git("checkout", "--quiet", "branch")
    assert merge_base(work.root, "main") == base
    with pytest.raises(InputError, match=r"^--base nonsense: git knows no such revision"):
        merge_base(work.root, "nonsense")
    with pytest.raises(InputError, match=r"^--base -h: "):
        merge_base(work.root, "-h")
