"""Reports for the tests of `wallguard.reports`: ordinary, hostile, empty and very long ones."""

from __future__ import annotations

from dataclasses import fields, replace

from wallguard.findings.model import (
    Breach,
    CheckRun,
    Finding,
    MeshInfo,
    PartReport,
    Printed,
    Report,
    Spread,
    Trouble,
    Wall,
)

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "]]>",
    "a | b",
    "a\\|b|",
    "`",
    "``x``` `y",
    " lead and trail ",
    "\x1b[31mred\x1b]0;title\x07",
    "two\nlines\r\n# three",
    "\u202egpj.stl",
    "\u00fcn\u00ef c\u00f6d\u00e9 \u65e5\u672c.stl",
    "not-utf-8-\udce9.stl",
    "@everyone @org/team mail@example.com",
    "https://evil.example www.evil.example <https://evil.example>",
    "[click](javascript:alert(1)) ![i](http://evil.example/x.png)",
    "**bold** _it_ ~~s~~ $x$ #12 GH-12 :smile: &lt;b&gt; \\<b>",
    "</details></summary><script>alert(1)</script>",
    "\x00\x85\u2028\ufffe\U000e0001",
)


def wall(thickness: float = 1.5, **changes: object) -> Wall:
    """A wall along x, 40 mm long."""
    made = Wall(
        thickness=Spread(thickness, thickness, thickness),
        length=40.0,
        z=(0.0, 20.0),
        location=(12.0, 3.5, 4.0),
        box=((-8.0, 2.75, 0.0), (32.0, 4.25, 20.0)),
        sides=3,
        fill="hollow",
        printed=Printed(1.5, 0.05),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def breach(**changes: object) -> Breach:
    """A wall that comes out hollow."""
    return replace(Breach("fill", "fail", 1.5), **changes)  # type: ignore[arg-type]


_OF_A_BREACH = {field.name for field in fields(Breach)}


def changed(made: Finding, **changes: object) -> Finding:
    """A finding with other values; those of a limit go to the first that it breaks."""
    first = {key: changes.pop(key) for key in [*changes] if key in _OF_A_BREACH}
    breaches = (replace(made.breaches[0], **first), *made.breaches[1:])  # type: ignore[arg-type]
    return replace(made, **{"breaches": breaches, **changes})  # type: ignore[arg-type]


def finding(**changes: object) -> Finding:
    """A hollow wall that fails."""
    made = Finding(
        id="0a1b2c3d4e",
        breaches=(breach(),),
        fill="hollow",
        location=(12.0, 3.5, 4.0),
        box=((-8.0, 2.75, 0.0), (32.0, 4.25, 20.0)),
        message=(
            "wall 1.50 mm thick at (12.0, 3.5, 4.0), 40.00 mm long, will print hollow, "
            "with about 0.35 mm of air"
        ),
        advice="draw ≤ 1.22 or ≥ 1.73 mm",
    )
    return changed(made, **changes)


LOST_RIB = finding(
    id="5555555555",
    measured=0.3,
    fill="missing",
    location=(40.0, 2.0, 5.0),
    message="wall 0.30 mm thick at (40.0, 2.0, 5.0), 15.00 mm long, will not be printed",
)
THIN = finding(
    id="1111111111",
    check="wall",
    measured=0.6,
    limit=0.8,
    fill="solid",
    location=(1.0, 2.0, 3.0),
    message=(
        "wall 0.60 mm thick at (1.0, 2.0, 3.0), 12.00 mm long, is below the minimum of 0.80 mm"
    ),
    advice="draw ≥ 0.80 mm",
)
TIGHT = finding(
    id="2222222222",
    check="gap",
    severity="warn",
    measured=0.25,
    limit=0.3,
    fill=None,
    location=(5.0, 5.0, 1.0),
    message="gap 0.25 mm wide at (5.0, 5.0, 1.0) is below the minimum of 0.30 mm",
    advice="draw ≥ 0.30 mm",
)
UNSURE = finding(
    id="3333333333",
    severity="warn",
    measured=0.15,
    limit=0.15,
    fill="solid",
    location=(0.0, 0.0, 1.0),
    indeterminate=True,
    message=(
        "wall 0.90 mm thick at (0.0, 0.0, 1.0), 9.00 mm long, will come out about 1.05 mm thick "
        "(drawn 0.90)"
    ),
    advice="draw ≥ 1.00 mm",
)
DOUBLED = finding(
    id="4444444444",
    check="mesh",
    severity="note",
    measured=2.0,
    limit=0.0,
    unit="count",
    fill=None,
    location=None,
    box=None,
    message="2 doubled faces, at (0.0, 0.0, 0.0), ...",
    advice="export the mesh again",
)
MESH = MeshInfo(triangles=1204, watertight=True, extents=(60.0, 40.0, 20.0), unit="mm")


def part(path: str = "parts/bracket.stl", **changes: object) -> PartReport:
    """A part that passed."""
    made = PartReport(
        path=path,
        rules="rules/petg.yaml",
        rules_name="PETG, 0.4 mm nozzle",
        status="passed",
        mesh=MESH,
        checks=(
            CheckRun("mesh", "passed"),
            CheckRun("fill", "passed"),
            CheckRun("wall", "passed"),
            CheckRun("gap", "passed"),
            CheckRun("floor", "skipped", "the rules set no limit to the thickness of a floor"),
        ),
        walls=(wall(2.0, fill="solid", printed=Printed(2.02, 0.05)),),
        findings=(),
        seconds=0.25,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


BRACKET = part(
    status="failed",
    checks=(
        CheckRun("mesh", "passed"),
        CheckRun("fill", "failed"),
        CheckRun("wall", "failed"),
        CheckRun("gap", "warned"),
        CheckRun("floor", "skipped", "the rules set no limit to the thickness of a floor"),
    ),
    walls=(wall(0.6, fill="solid", printed=Printed(1.1, 0.05)), wall(1.5)),
    findings=(finding(), LOST_RIB, THIN, TIGHT, DOUBLED),
)
LID = part(
    "parts/lid.3mf",
    status="indeterminate",
    checks=(CheckRun("fill", "indeterminate"), CheckRun("gap", "passed", "two bodies touch")),
    findings=(UNSURE,),
)
LOST = part(
    "parts/lost.stl",
    status="error",
    mesh=None,
    checks=(),
    walls=(),
    error="parts/lost.stl: the file is empty. Export it again.",
)
ORDINARY = Report(
    parts=(part("parts/plate.stl"), BRACKET, LID, LOST, part("parts/arm.obj")),
    not_covered=("spare/knob.stl",),
    troubles=(Trouble("rules/pla.yaml", "rules/pla.yaml:3:1: `wal` is no key. Write `wall`."),),
    removed=("parts/old.stl",),
    version="0.1.0",
    started="2024-05-01T14:00:00+02:00",
    seconds=1.75,
)
EMPTY = Report(parts=())
PASSED = Report(parts=(part("a.stl"), part("b.stl", findings=(TIGHT,))))

# Against a base: one finding new, one worse, two unchanged, one waived, one fixed.
COMPARED = Report(
    parts=(
        part(
            status="failed",
            checks=(CheckRun("fill", "failed"), CheckRun("wall", "passed")),
            findings=(
                finding(state="new", size=(40.0, 20.0)),
                replace(
                    LOST_RIB,
                    state="new",
                    worse=True,
                    remark="main has it too, but it got worse: missing now, hollow before",
                ),
                changed(THIN, state="unchanged", waived="A. Person, until 2031-05-31: not loaded"),
                changed(TIGHT, state="unchanged"),
                changed(DOUBLED, state="unchanged"),
            ),
            fixed=(finding(id="7777777777", message="wall 1.45 mm thick, will print hollow"),),
        ),
        part(
            "parts/lid.3mf",
            checks=(CheckRun("fill", "passed"),),
            findings=(finding(id="8888888888", state="unchanged"),),
        ),
        part("parts/new.stl", base_note="not compared with main: it cannot be read there"),
    ),
    base="main",
    base_commit="1a2b3c4d5e6f" + "0" * 28,
    gate="new",
    remarks=(Trouble("waivers.yaml", "waivers.yaml:7: the waiver of A. Person matches nothing."),),
)


def hostile() -> Report:
    """Every hostile text in every place where text from files goes."""
    parts = tuple(
        part(
            name,
            rules=name,
            rules_name=name,
            status="failed",
            checks=(CheckRun("fill", "failed"), CheckRun("gap", "skipped", name)),
            findings=(
                finding(message=f"object {name} is bad", advice=name),
                changed(TIGHT, message=name, unit=name),
                changed(THIN, remark=name, waived=name),
            ),
            fixed=(changed(TIGHT, message=name, state=""),),
            base_note=name,
        )
        for name in HOSTILE
    )
    errors = tuple(
        part(f"e{name}", status="error", mesh=None, checks=(), error=f"e{name}: {name} is bad")
        for name in HOSTILE
    )
    return Report(
        parts=parts + errors,
        not_covered=HOSTILE,
        troubles=tuple(Trouble(name, f"{name}: {name}") for name in HOSTILE),
        removed=HOSTILE,
        base="".join(HOSTILE),
        remarks=tuple(Trouble(name, f"{name}: {name}") for name in HOSTILE),
    )


def many(count: int = 500) -> Report:
    """One part with `count` findings."""
    found = tuple(
        finding(
            id=f"{number:010x}",
            severity="fail" if number < count // 2 else "warn",
            measured=1.3 + number / 10000,
            message=f"wall {number} is hollow",
        )
        for number in range(count)
    )
    checks = (CheckRun("fill", "failed"),)
    return Report(parts=(part(status="failed", checks=checks, findings=found),))
