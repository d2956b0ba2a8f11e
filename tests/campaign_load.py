"""Check thousands of parts in one run, and hold memory, time and reports against what they may be:

    python tests/campaign_load.py [--small 1250,5000] [--mixed 75,300] [--kept 200] [--cores]

Small parts are blocks, of which every other one fails; mixed ones are tubes, profiles, wedges and
plates with holes. Each row of the table is one run over so many of them, with all reports that
services take: processor time and memory for each part must not grow from the smaller run to the
larger one, and no report may be larger than a service takes, nor be silent on what it left out.
A run over parts that did not change must cost little more than starting. `--cores` compares two
processes with one on the parts of the example, twenty times each: on a quiet machine by the clock,
else by what the first process does alone.

Processor time, so that other work on the machine counts for less. Memory is that of the first
process, and of those that it started the largest, on Linux: with `--jobs 2` of a process that
checks parts. The first may grow by what reports are made of, findings and walls, and by no more;
the others by nothing.
"""

from __future__ import annotations

import argparse
import gc
import gzip
import itertools
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import manifold3d as m3
from bench_check import RULES
from solids import box, i_section, save, tube, wedge
from spent import Spent, spent

TOP = Path(__file__).resolve().parents[1]
CONFIG = "wallguard: 1\nunit: mm\nparts:\n  - {files: 'parts/*.stl', rules: rules.yaml}\n"
# What services take, all of it from memory of their public documentation. Code scanning refuses
# SARIF of more than 10 MB once packed or 25,000 results, and shows 5,000; a comment holds 65,536
# characters; a summary of a job 1 MiB; workflow commands are shown ten of a kind for each step; a
# JUnit report is read up to 30 MB.
SARIF_PACKED, SARIF_RESULTS = 10_000_000, 5_000
COMMENT, SUMMARY, COMMANDS, JUNIT = 65_536, 1024**2, 10, 30_000_000
# What was found on a part is kept until all is written: a run may grow by so many times that, for
# what is asked of each part besides and as no heap is without holes, and by so many MB until the
# heap has seen all kinds of parts, which is all that a process that checks parts may grow by. The
# time for a part may differ so many times between a small run and a large one.
GROWS, SETTLES, SLOWER = 1.2, 6.0, 1.3
# Seconds of processor time that a run over 200 parts that did not change may take beyond starting.
UNCHANGED = 0.5
# Two processes must be so many times as fast as one.
TWO = 1.8


class Row(NamedTuple):
    """What one run over so many parts took, what is wrong with its reports, and how many bytes
    what was found on each part takes in memory."""

    parts: int
    spent: Spent
    wrong: list[str]
    kept: float


def repository(folder: Path, solids) -> None:
    """A repository under git with these parts."""
    folder.mkdir()
    (folder / "wallguard.yaml").write_text(CONFIG)
    (folder / "rules.yaml").write_text(RULES)
    for number, solid in enumerate(solids):
        save(folder / "parts" / f"part-{number:05}.stl", solid)
    _committed(folder)


def _committed(folder: Path) -> None:
    who = ["-c", "user.name=t", "-c", "user.email=t@example.org"]
    for words in (["init", "-q"], ["add", "."], ["commit", "-qm", "parts"]):
        subprocess.run(["git", *who, *words], cwd=folder, check=True, capture_output=True)


def _spread(i: int) -> float:
    """From 0 to 1, no two alike, and in a short run as in a long one: multiples of the golden ratio
    (Knuth, The Art of Computer Programming 3, 6.4). So parts are no larger where there are more."""
    return i * (5**0.5 - 1) / 2 % 1


def small(count: int):
    """Blocks, no two alike; every other one too thin."""
    for i in range(count):
        yield box([12 + 15 * _spread(i), 0.6 if i % 2 else 3.0, 4])


def mixed(count: int):
    """Parts of several kinds, no two alike."""
    for i in range(count):
        more = 3 * _spread(i)
        plate = box([20 + more, 15, 3])
        for x in (4, 10, 16):
            plate -= m3.Manifold.cylinder(9, 1 + x / 16, circular_segments=24).translate([x, 7, -1])
        yield (
            tube(20 + more, 1.3, 8, 64),
            i_section(20 + more, 14, 1.1, 1.6, 10),
            wedge(0.4, 3, 20 + more, 6),
            plate,
            m3.Manifold.sphere(6 + more, 24) - m3.Manifold.sphere(5 + more, 24),
        )[i % 5]


def run(folder: Path, *words: str) -> Spent:
    """Run `wallguard check` there."""
    return spent(["check", *words], folder)


def _bytes_of(what: object) -> int:
    """What this and all that it holds takes in memory; equal texts once, as a run keeps them."""
    seen: set[object] = set()
    left, whole = [what], 0
    while left:
        each = left.pop()
        key = each if isinstance(each, str) else id(each)
        if key not in seen and not isinstance(each, type):
            seen.add(key)
            whole += sys.getsizeof(each)
            left += gc.get_referents(each)
    return whole


def reports(folder: Path) -> tuple[list[str], float]:
    """Print the sizes of the reports there; what is wrong with them, and how many bytes what was
    found on each part takes in memory."""
    from wallguard.reports import annotations, comment, json_report

    report = json_report.read((folder / "walls.json").read_text(), "walls.json")
    kept = _bytes_of(report.parts) / len(report.parts)
    findings = sum(len(part.findings) for part in report.parts)
    text = (folder / "walls.sarif").read_text()
    packed, sarif = len(gzip.compress(text.encode(), 6)), json.loads(text)["runs"][0]
    results = sarif["results"]
    told = json.dumps(sarif["invocations"])
    said = comment.text(report)
    summary = (folder / "walls.md").read_text()
    commands = annotations.text(report).splitlines()
    each = {kind: sum(line.startswith(f"::{kind} ") for line in commands) for kind in _KINDS}
    junit = (folder / "walls.xml").stat().st_size
    quality = (folder / "quality.json").stat().st_size
    whole = (folder / "walls.json").stat().st_size
    print(
        f"    {findings} findings: JSON {whole / 1e6:.1f} MB, SARIF {len(results)} results and "
        f"{packed / 1e6:.2f} MB packed, JUnit {junit / 1e6:.1f} MB, code quality "
        f"{quality / 1e6:.1f} MB, comment {len(said)} characters, summary {len(summary.encode())} "
        f"bytes, {len(commands)} commands",
        flush=True,
    )
    most = min(findings, SARIF_RESULTS)
    checks = {
        "SARIF is too large": packed > SARIF_PACKED,
        "SARIF has not the results it may have": len(results) != most,
        "SARIF is silent on what it left out": findings > most and "left out" not in told.lower(),
        "the comment is too long": len(said) > COMMENT,
        "the comment is silent on what it left out": len(said) > 0.9 * COMMENT
        and "left out" not in said.lower(),
        "the summary is too long": len(summary.encode()) > SUMMARY,
        "too many commands of a kind": max(each.values()) > COMMANDS,
        "commands are silent on what they left out": sum(each.values()) < report_kinds(report)
        and "more" not in " ".join(commands),
        "JUnit is too large": junit > JUNIT,
    }
    return [problem for problem, holds in checks.items() if holds], kept


_KINDS = ("error", "warning", "notice")


def report_kinds(report) -> int:
    """How many parts have a finding that a command may tell."""
    return sum(any(not finding.waived for finding in part.findings) for part in report.parts)


def load(folder: Path, name: str, solids, counts: list[int], jobs: str) -> list[str]:
    """Print a row for each number of parts; what is wrong."""
    rows = []
    for count in counts:
        place = folder / f"{name}-{count}"
        repository(place, solids(count))
        files = ["--json", "walls.json", "--sarif", "walls.sarif", "--junit", "walls.xml"]
        files += ["--markdown", "walls.md", "--code-quality", "quality.json", "--annotations"]
        spent = run(place, "--all", "--no-cache", "--jobs", jobs, *files)
        print(
            f"{count:5} {name:5} parts: {spent.seconds:6.1f} s, {spent.seconds / count * 1e3:5.1f} "
            f"ms each; {spent.memory:4.0f} MB, processes that it started up to "
            f"{spent.started:.0f} MB",
            flush=True,
        )
        rows.append(Row(count, spent, *reports(place)))
        shutil.rmtree(place)
    wrong = [f"{row.parts} {name} parts: {problem}" for row in rows for problem in row.wrong]
    for one, other in itertools.pairwise(rows):
        more = other.parts - one.parts
        grows = (other.spent.memory - one.spent.memory) * 1024 / more
        started = other.spent.started - one.spent.started
        slower = (other.spent.seconds / other.parts) / (one.spent.seconds / one.parts)
        print(
            f"      memory grows by {grows:.1f} kB a part, of which {other.kept / 1024:.1f} are "
            f"what was found, and by {started:.1f} MB in processes that it started; {slower:.2f} "
            "times the time a part"
        )
        if grows * more > GROWS * other.kept / 1024 * more + SETTLES * 1024:
            wrong.append(f"{name} parts: memory grows by {grows:.0f} kB for each")
        if started > SETTLES:
            wrong.append(f"{name} parts: a process that checks them grows by {started:.0f} MB")
        if slower > SLOWER:
            wrong.append(f"{name} parts: each takes {slower:.2f} times as long in a larger run")
    return wrong


def unchanged(folder: Path, count: int) -> list[str]:
    """Print what a run over parts that did not change takes; what is wrong."""
    place = folder / "kept"
    repository(place, mixed(count))
    cache = ["--cache", str(folder / "cache"), "--jobs", "1"]
    first = run(place, "--all", *cache)
    again = min((run(place, "--all", *cache) for _ in range(3)), key=lambda spent: spent.seconds)
    start = min(run(place, "parts/part-00000.stl", *cache).seconds for _ in range(3))
    beyond = again.seconds - start
    print(
        f"{count:5} parts unchanged: {again.seconds:.2f} s, {beyond:.2f} s more than one of them "
        f"({first.seconds:.1f} s at first); {again.memory:.0f} MB"
    )
    return [f"{count} unchanged parts take {beyond:.2f} s"] if beyond > UNCHANGED else []


def cores(folder: Path) -> list[str]:
    """Print how much faster two processes are than one; what is wrong."""
    place = folder / "cores"
    shutil.copytree(TOP / "example_repo", place, ignore=shutil.ignore_patterns(".git"))
    config = (place / "wallguard.yaml").read_text()
    for number in range(20):
        within = place / f"copy-{number:02}"
        within.mkdir()
        for name in ("marionettes", "scenery", "rules"):
            shutil.copytree(TOP / "example_repo" / name, within / name)
        (within / "wallguard.yaml").write_text(config)
    for name in ("marionettes", "scenery"):
        shutil.rmtree(place / name)
    (place / "waivers.yaml").unlink(missing_ok=True)
    _committed(place)
    one = run(place, "--all", "--no-cache", "--jobs", "1")
    two = run(place, "--all", "--no-cache", "--jobs", "2")
    # What one process does alone, and half of what the two do.
    shared = two.alone + (two.seconds - two.alone) / 2
    print(
        f"two processes: {one.clock / two.clock:.2f} times as fast by the clock; {one.seconds:.1f} "
        f"and {two.seconds:.1f} s of processor time, {two.alone:.1f} of these in the first process:"
        f" {one.seconds / shared:.2f} times as fast at best"
    )
    quick = max(one.clock / two.clock, one.seconds / shared)
    return [f"two processes are only {quick:.2f} times as fast as one"] if quick < TWO else []


def _counts(text: str) -> list[int]:
    return [int(count) for count in text.split(",") if count]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", type=_counts, default="1250,5000")
    parser.add_argument("--mixed", type=_counts, default="75,300")
    parser.add_argument("--kept", type=int, default=200)
    parser.add_argument("--jobs", default="1")
    parser.add_argument("--cores", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wrong = load(folder, "small", small, asked.small, asked.jobs)
        wrong += load(folder, "mixed", mixed, asked.mixed, asked.jobs)
        wrong += unchanged(folder, asked.kept) if asked.kept else []
        wrong += cores(folder) if asked.cores else []
    for problem in wrong:
        print(f"NOT within: {problem}")
    print("NOT within the targets" if wrong else "within the targets")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
