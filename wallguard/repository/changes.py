"""What changed in a design repository, and which parts must be checked because of it.

Paths are relative to the root of the design repository, with /. The root is the folder of
`wallguard.yaml`; it may be a folder inside a git repository, and then all else in that is left out.
Files in git submodules belong to another repository and are left out too.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Protocol

from wallguard.base.errors import InputError
from wallguard.base.formats import PART_SUFFIXES
from wallguard.repository import git
from wallguard.repository.config import FILE_NAME, is_part
from wallguard.repository.entry import Assignment

MAX_FILES = 1_000_000
# Files gone and new up to which git compares their content.
_MOST_RENAMES = 200
# What `git diff --name-status --no-renames` calls a change (its documentation, from memory).
_STATUSES = frozenset("AMDTUXB")


@dataclass(frozen=True)
class Changes:
    """Paths of files, sorted, each once.

    present  added or changed; under its new name if renamed
    removed  gone; under its old name if renamed
    """

    present: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()


def find_root(start: Path) -> Path:
    """The root of the design repository that the folder `start` is in, links followed.

    The nearest folder, from `start` upwards, with a `wallguard.yaml`, but none above the top of
    the git work tree, which is the root where there is no such file. Else `start` itself.
    """
    start = start.resolve()
    for folder in (start, *start.parents):
        if any(os.path.lexists(folder / name) for name in (FILE_NAME, ".git")):
            return folder
    return start


def relative(path: Path, root: Path) -> str | None:
    """`path` relative to `root`, with /; None where it lies outside. The file's own link is not
    followed: whether that leads out of the repository is for the reader to say."""
    whole = Path(os.path.abspath(path))  # noqa: PTH100 - Path.resolve would follow the file's link
    for folder in (whole.parent, whole.parent.resolve()):
        name = folder / whole.name
        if name.is_relative_to(root):
            return name.relative_to(root).as_posix()
    return None


def changed_since(root: Path, revision: str, asked: str = "--changed-since") -> Changes:
    """What differs, in the work tree, from where this branch left `revision`.

    That is the merge base of `revision` and HEAD: what others did on `revision` since then does
    not count, what is not committed yet does, untracked files too (ignored ones do not).

    Raises InputError as `merge_base` does.
    """
    return between(root, merge_base(root, revision, asked))


def between(root: Path, commit: str, staged: bool = False) -> Changes:
    """What differs from the commit named `commit` (its full name): in the work tree, untracked
    files included, or in the index.

    Raises InputError where git cannot tell.
    """
    if staged:
        return _difference(root, "--cached", commit)
    return _with_untracked(root, _difference(root, commit))


def merge_base(root: Path, revision: str, asked: str = "--base") -> str:
    """The full name of the commit where this branch left `revision`, which `asked` asks for.

    Raises InputError: no such revision, no commits, no common history (a shallow clone), no git.
    """
    head = commit_of(root, "HEAD")
    if head is None:
        raise InputError(
            root, "there are no commits here yet", remedy="Commit first, or check all parts"
        )
    # No name of a revision begins with "-"; as an argument it would be an option.
    commit = None if revision.startswith("-") or "\0" in revision else commit_of(root, revision)
    if commit is None:
        raise InputError(
            f"{asked} {revision}",
            "git knows no such revision here",
            remedy=_how_to_fetch(root, revision),
        )
    base = git.run(root, "merge-base", commit, head)
    if base.returncode:
        raise InputError(
            f"{asked} {revision}",
            "it has no common history with what is checked out",
            remedy=_how_to_fetch(root, revision)
            if _is_shallow(root)
            else "Name a revision that this branch came from",
        )
    name = base.stdout.decode("ascii", "replace").strip()
    if not name.isalnum():
        raise git.nonsense(root, "merge-base")
    return name


def renamed(root: Path, commit: str, staged: bool = False) -> dict[str, str]:
    """The part files that were renamed since `commit`: the old path of each, by its new one.

    As git finds them, among part files only: those of equal content and, where not too many files
    are new and gone, those of like content. Then, of the others, files of equal names where one is
    gone in a single folder and one is new in another.

    Raises InputError where git cannot tell.
    """
    fields = git.names(
        root,
        "diff",
        "--name-status",
        "-z",
        "--find-renames",
        f"-l{_MOST_RENAMES}",
        "--no-ext-diff",
        "--relative",
        "--ignore-submodules=all",
        *(("--cached",) if staged else ()),
        commit,
        "--",
        *(f":(icase)*{suffix}" for suffix in PART_SUFFIXES),
    )
    origins: dict[str, str] = {}
    added: list[str] = []
    removed: list[str] = []
    rest = iter(fields)
    try:
        for status in rest:
            path = next(rest)
            if status.startswith("R"):
                origins[next(rest)] = path
            elif status in ("A", "D"):
                (added if status == "A" else removed).append(path)
    except StopIteration:
        raise git.nonsense(root, "diff") from None
    if not staged:
        listed = git.names(root, "ls-files", "-z", "--others", "--exclude-standard")
        added += [name for name in listed if is_part(name)]
    new, old = _by_name(added), _by_name(removed)
    for name, paths in new.items():
        if len(paths) == 1 and len(old.get(name, ())) == 1:
            origins[paths[0]] = old[name][0]
    return origins


def _by_name(paths: Iterable[str]) -> dict[str, list[str]]:
    by_name: dict[str, list[str]] = {}
    for path in paths:
        by_name.setdefault(PurePosixPath(path).name, []).append(path)
    return by_name


def working(root: Path) -> Changes:
    """What is not committed yet, untracked files included (ignored ones are not).

    Raises InputError where git cannot tell.
    """
    if commit_of(root, "HEAD") is None:
        return Changes(present=tuple(all_files(root)))
    return _with_untracked(root, _difference(root, "HEAD"))


def staged(root: Path) -> Changes:
    """What the next commit changes, as the index has it.

    Raises InputError where git cannot tell, and in the middle of a merge with conflicts.
    """
    return _difference(root, "--cached")


def all_files(root: Path) -> list[str]:
    """Every file in the work tree that is tracked, or untracked and not ignored; sorted.

    Outside git, every file but those in folders whose names begin with a dot. Symbolic links are
    listed, not followed.

    Raises InputError where git cannot tell, and for more than MAX_FILES files outside git.
    """
    if git.in_repository(root):
        known = git.names(root, "ls-files", "-z", "--cached", "--others", "--exclude-standard")
        return sorted(name for name in set(known) if _is_file(root, name))
    files: list[str] = []
    for name in _walk(root):
        files.append(name)
        if len(files) > MAX_FILES:
            raise InputError(
                root,
                f"there are more than {MAX_FILES} files here",
                remedy="Name the parts to check",
            )
    return sorted(files)


def tracked(root: Path) -> frozenset[str] | None:
    """Files that git tracks below `root`, staged ones included; None outside git.

    Raises InputError where git cannot tell.
    """
    if not git.in_repository(root):
        return None
    return frozenset(git.names(root, "ls-files", "-z", "--cached"))


def missing(root: Path) -> list[str]:
    """Files that git tracks below `root` and that are not in the work tree, sorted: it is a sparse
    checkout, or they are gone and git was not told. None outside git.

    Raises InputError where git cannot tell.
    """
    return sorted(name for name in tracked(root) or () if not os.path.lexists(root / name))


def unlisted(root: Path) -> Iterator[str]:
    """Files in the work tree that git does not list: ignored ones. Folders that are repositories
    of their own, or whose names begin with a dot, are passed over."""
    listed = set(all_files(root))
    for number, name in enumerate(_walk(root)):
        if number >= MAX_FILES:
            return
        if name not in listed:
            yield name


class Answers(Protocol):
    """What answers for parts: one `wallguard.yaml`, or the nearest of several."""

    def part_files(self, paths: Iterable[str]) -> list[str]: ...
    def assignments(self, path: str) -> list[Assignment]: ...
    def rule_files(self) -> Sequence[str]: ...


def select(
    repository: Answers,
    changes: Changes,
    every: Callable[[], Iterable[str]],
    rule_files: Callable[[str], Iterable[str]],
) -> list[str]:
    """The part files that `changes` ask to check, sorted.

    These are the changed parts, all parts governed by a rule file that changed itself or in what
    it extends, and all parts below a `wallguard.yaml` that changed. Parts that nothing covers are
    among them.

    every       lists the files of the repository; called only where it is needed
    rule_files  from a rule file's path to the paths of all files it is made of; may raise
                InputError for one that cannot be used: its parts are chosen if any YAML file
                changed, since nobody knows then what it is made of
    """
    changed = {*changes.present, *changes.removed}
    chosen = repository.part_files(changes.present)
    below = tuple(
        name.removesuffix(FILE_NAME) for name in changed if f"/{name}".endswith(f"/{FILE_NAME}")
    )
    if below:
        chosen += repository.part_files(name for name in every() if name.startswith(below))
    rules = set(_changed_rules(repository.rule_files(), changed, rule_files))
    if rules:
        chosen += (
            path
            for path in repository.part_files(every())
            if any(assignment.rules in rules for assignment in repository.assignments(path))
        )
    return sorted(set(chosen))


def _changed_rules(
    named: Iterable[str], changed: set[str], rule_files: Callable[[str], Iterable[str]]
) -> Iterator[str]:
    named = list(named)
    suffixes = {".yaml", ".yml", ".lock", *(PurePosixPath(path).suffix for path in named)}
    documents = {path for path in changed if PurePosixPath(path).suffix in suffixes}
    # Reading rule files takes time that a commit of something else should not cost.
    for path in named if documents else ():
        try:
            made_of = {path, *rule_files(path)}
        except InputError:
            made_of = documents
        if made_of & documents:
            yield path


def _difference(root: Path, *against: str) -> Changes:
    """What differs from the revision `against`; with "--cached" before it, in the index, and there
    from HEAD where no revision is named."""
    # A rename is a file gone and a file new, and to find its other half would cost reading both.
    fields = git.names(
        root,
        "diff",
        "--name-status",
        "-z",
        "--no-renames",
        "--no-ext-diff",
        "--relative",
        "--ignore-submodules=all",
        *against,
        "--",
    )
    present: set[str] = set()
    removed: set[str] = set()
    if len(fields) % 2 or not {*fields[::2]} <= _STATUSES:
        raise git.nonsense(root, "diff")
    for status, path in zip(fields[::2], fields[1::2], strict=True):
        if status == "U" and "--cached" in against:
            raise InputError(
                path,
                "it has conflicts from a merge",
                remedy="Settle them, and `git add` the file",
            )
        (removed if status == "D" else present).add(path)
    return Changes(tuple(sorted(present)), tuple(sorted(removed)))


def _with_untracked(root: Path, changes: Changes) -> Changes:
    listed = git.names(root, "ls-files", "-z", "--others", "--exclude-standard")
    # A name that ends in / is another repository's folder.
    present = {*changes.present, *(name for name in listed if not name.endswith("/"))}
    return Changes(tuple(sorted(present)), tuple(sorted({*changes.removed} - present)))


def commit_of(root: Path, revision: str) -> str | None:
    """The full name of the commit that `revision` names, or None."""
    # In `:/text^{commit}` the suffix would be part of the text, so there it takes two steps.
    name = revision
    for suffix in ("", "^{commit}") if ":" in revision else ("^{commit}",):
        parsed = git.run(root, "rev-parse", "--verify", "--quiet", name + suffix)
        name = parsed.stdout.decode("ascii", "replace").strip()
        if parsed.returncode or not name.isalnum():
            return None
    return name


def _is_shallow(root: Path) -> bool:
    return git.output(root, "rev-parse", "--is-shallow-repository").strip() == b"true"


def _how_to_fetch(root: Path, revision: str) -> str:
    remote, slash, branch = revision.partition("/")
    # Written out, so that it works too where only one branch was cloned.
    source = f" {remote} {branch}:refs/remotes/{revision}" if slash else ""
    if _is_shallow(root):
        return (
            f"This is a shallow clone: run `git fetch --unshallow{source}`, or let the pipeline "
            "check out the whole history (fetch-depth: 0)"
        )
    return f"Check its spelling, or fetch it first: `git fetch{source}`"


def _is_file(root: Path, name: str) -> bool:
    """Whether a name that git lists is there, and no folder (a submodule's, for one)."""
    try:
        return not stat.S_ISDIR(os.lstat(os.path.join(root, name)).st_mode)  # noqa: PTH118
    except OSError:
        return False


def _walk(root: Path) -> Iterator[str]:
    for folder, folders, files in os.walk(root):
        if ".git" in (*folders, *files) and Path(folder) != root:
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        inside = Path(folder).relative_to(root)
        yield from ((inside / name).as_posix() for name in files)
