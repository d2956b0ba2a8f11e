"""The report as JSON, and back. Its format is `wallguard.reports.schema`.

Lengths are rounded to 0.001 mm, thickness and what was measured to 0.0001 mm.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import NoReturn

from wallguard.base.errors import InputError
from wallguard.findings.model import (
    Breach,
    CheckRun,
    Finding,
    MeshInfo,
    PartReport,
    Point,
    Printed,
    Report,
    Spread,
    Trouble,
    Wall,
)
from wallguard.reports import order, schema
from wallguard.reports.json_text import (
    LENGTH,
    THICKNESS,
    Json,
    dump,
    encodable,
    maybe,
    maybe_numbers,
    number,
    numbers,
)

_OTHER = "Write it anew with `wallguard check --json`"


def data(report: Report) -> Json:
    """The report as plain data of the format `wallguard-report/1`.

    A number that is not finite becomes null where the format allows that. Bytes of a file name
    that are not UTF-8 are spelled, as `\\xe9`: JSON cannot hold them.

    Raises ValueError: a size of a wall or a mesh is not finite.
    """
    counts = order.count(report)
    made: Json = {
        "schema": schema.NAME,
        "frame": schema.FRAME,
        "version": report.version,
        "started": report.started,
        "base": report.base,
        "base_commit": report.base_commit,
        "gate": report.gate,
        "summary": {
            "parts": counts.parts,
            "passed": counts.passed,
            "failed": counts.failed,
            "indeterminate": counts.indeterminate,
            "errors": counts.errors,
            "findings": {"fail": counts.fail, "warn": counts.warn, "note": counts.note},
            "new": counts.new,
            "unchanged": counts.unchanged,
            "fixed": counts.fixed,
            "waived": counts.waived,
            "not_covered": counts.not_covered,
            "troubles": counts.troubles,
        },
        "parts": [_part(part) for part in order.parts(report)],
        "not_covered": sorted(report.not_covered),
        "troubles": [_trouble(trouble) for trouble in order.troubles(report)],
        "remarks": [_trouble(remark) for remark in order.remarks(report)],
        "removed": sorted(report.removed),
        "seconds": number(report.seconds, LENGTH),
    }
    safe: Json = encodable(made)
    return safe


def text(report: Report) -> str:
    """The report as JSON text with a final line break. Raises ValueError as `data` does."""
    return dump(data(report))


def walls_text(walls: Iterable[Wall]) -> str:
    """Walls alone, as JSON text: `walls` as in a report, and the `frame` they are in.

    Raises ValueError: a size is not finite.
    """
    return dump({"frame": schema.FRAME, "walls": [_wall(wall) for wall in order.walls(walls)]})


def read(content: str, shown: str = "the report") -> Report:
    """A report from JSON text; `shown` names it in errors. Keys that are not known are ignored.

    Raises InputError: not JSON, not a report, or of another version of the format.
    """
    try:
        found = json.loads(content, parse_constant=_not_a_number)
    except json.JSONDecodeError as error:
        raise InputError(
            shown,
            f"not JSON: {error.msg}",
            remedy=_OTHER,
            line=error.lineno,
            column=error.colno,
        ) from None
    except (ValueError, RecursionError) as error:
        what = "nested too deep" if isinstance(error, RecursionError) else str(error)
        raise InputError(shown, f"not a report: {what}", remedy=_OTHER) from None
    whole = schema.report_schema()
    problem = schema.problem(found, whole, whole)
    if problem:
        raise InputError(
            shown, f"not a report of the format {schema.NAME}: {problem}", remedy=_OTHER
        )
    return Report(
        parts=tuple(_read_part(part) for part in found["parts"]),
        not_covered=tuple(found["not_covered"]),
        troubles=tuple(Trouble(one["path"], one["message"]) for one in found["troubles"]),
        removed=tuple(found["removed"]),
        base=found["base"],
        base_commit=found["base_commit"],
        gate=found["gate"],
        remarks=tuple(Trouble(one["path"], one["message"]) for one in found["remarks"]),
        version=found["version"],
        started=found["started"],
        seconds=float(found["seconds"]),
    )


def _not_a_number(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is not a number in JSON")


def _trouble(trouble: Trouble) -> Json:
    return {"path": trouble.path, "message": trouble.message}


def _part(part: PartReport) -> Json:
    mesh = part.mesh
    return {
        "path": part.path,
        "rules": part.rules,
        "rules_name": part.rules_name,
        "status": part.status,
        "mesh": None
        if mesh is None
        else {
            "triangles": mesh.triangles,
            "watertight": mesh.watertight,
            "extents": numbers(mesh.extents),
            "unit": mesh.unit,
        },
        "walls": [_wall(wall) for wall in order.walls(part.walls)],
        "findings": [finding_data(finding) for finding in order.findings(part.findings)],
        "fixed": [finding_data(finding) for finding in order.findings(part.fixed)],
        "base_note": part.base_note,
        "checks": [
            {"name": run.name, "status": run.status, "note": run.note} for run in part.checks
        ],
        "error": part.error,
        "seconds": number(part.seconds, LENGTH),
    }


def _wall(wall: Wall) -> Json:
    printed = wall.printed
    return {
        "thickness": {
            "min": number(wall.thickness.min, THICKNESS),
            "typical": number(wall.thickness.typical, THICKNESS),
            "max": number(wall.thickness.max, THICKNESS),
        },
        "length": number(wall.length, LENGTH),
        "z": numbers(wall.z),
        "location": numbers(wall.location),
        "fill": wall.fill,
        "printed": None
        if printed is None
        else {
            "value": number(printed.value, THICKNESS),
            "uncertainty": number(printed.uncertainty, THICKNESS),
        },
        "box": [numbers(corner) for corner in wall.box],
        "sides": wall.sides,
        "source": wall.source,
    }


def finding_data(finding: Finding) -> Json:
    """One finding as plain data."""
    corners = None if finding.box is None else [maybe_numbers(corner) for corner in finding.box]
    return {
        "id": finding.id,
        "check": finding.check,
        "severity": finding.severity,
        "measured": maybe(finding.measured, THICKNESS),
        "limit": maybe(finding.limit, THICKNESS),
        "unit": finding.unit,
        "fill": finding.fill,
        "location": maybe_numbers(finding.location),
        "box": None if corners is None or None in corners else corners,
        "z": maybe_numbers(finding.z),
        "message": finding.message,
        "advice": finding.advice,
        "indeterminate": finding.indeterminate,
        "size": numbers(finding.size),
        "state": finding.state,
        "worse": finding.worse,
        "waived": finding.waived,
        "remark": finding.remark,
    }


def _read_part(part: Json) -> PartReport:
    mesh = part["mesh"]
    return PartReport(
        path=part["path"],
        rules=part["rules"],
        rules_name=part["rules_name"],
        status=part["status"],
        mesh=None
        if mesh is None
        else MeshInfo(
            int(mesh["triangles"]), mesh["watertight"], _read_point(mesh["extents"]), mesh["unit"]
        ),
        checks=tuple(CheckRun(run["name"], run["status"], run["note"]) for run in part["checks"]),
        walls=tuple(_read_wall(wall) for wall in part["walls"]),
        findings=tuple(_read_finding(finding) for finding in part["findings"]),
        fixed=tuple(_read_finding(finding) for finding in part["fixed"]),
        base_note=part["base_note"],
        error=part["error"],
        seconds=float(part["seconds"]),
    )


def _read_wall(wall: Json) -> Wall:
    thickness, printed = wall["thickness"], wall["printed"]
    return Wall(
        thickness=Spread(*(float(thickness[key]) for key in ("min", "typical", "max"))),
        length=float(wall["length"]),
        z=_read_range(wall["z"]),
        location=_read_point(wall["location"]),
        box=_read_box(wall["box"]),
        sides=int(wall["sides"]),
        fill=wall["fill"],
        printed=None
        if printed is None
        else Printed(float(printed["value"]), float(printed["uncertainty"])),
        source=wall["source"],
    )


def _read_finding(finding: Json) -> Finding:
    measured, limit = finding["measured"], finding["limit"]
    breach = Breach(
        check=finding["check"],
        severity=finding["severity"],
        measured=None if measured is None else float(measured),
        limit=None if limit is None else float(limit),
        unit=finding["unit"],
        indeterminate=finding["indeterminate"],
        waived=finding["waived"],
    )
    return Finding(
        id=finding["id"],
        breaches=(breach,),
        message=finding["message"],
        advice=finding["advice"],
        location=None if finding["location"] is None else _read_point(finding["location"]),
        box=None if finding["box"] is None else _read_box(finding["box"]),
        fill=finding["fill"],
        size=tuple(map(float, finding["size"])),
        state=finding["state"],
        worse=finding["worse"],
        remark=finding["remark"],
    )


def _read_range(pair: Sequence[float]) -> tuple[float, float]:
    low, high = pair
    return float(low), float(high)


def _read_point(values: Sequence[float]) -> Point:
    x, y, z = values
    return float(x), float(y), float(z)


def _read_box(corners: Sequence[Sequence[float]]) -> tuple[Point, Point]:
    low, high = corners
    return _read_point(low), _read_point(high)
