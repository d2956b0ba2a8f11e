"""The mesh describes a solid: closed, consistent, nothing doubled.

Fails: open edges, faces the wrong way round, bodies turned inside out: what will be printed is then
anybody's guess; and faces that enclose nothing. Warns: edges with more than two faces, layers that
could not be checked. Notes: faces without area, doubled faces, overlapping bodies (they are united
before they are cut), what of the file was not read, facets too coarse for the walls between them,
and coordinates so large that the file's precision is seen in thicknesses. Where that is coarser
than the tolerance nothing can be said, and the part is refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from wallguard.base.errors import InputError
from wallguard.base.plain import capital, counted
from wallguard.base.text import SHOWN, above, limit_text, mm, place
from wallguard.checks.case import Case, Draft
from wallguard.findings.model import Severity
from wallguard.mesh.health import Spots
from wallguard.walls.stretch import Stretch, together

ID = "mesh"

# Volume over the cube of the largest size, far above what is lost in computing it; a beam 10 m long
# and 0.1 mm thick has 1e-10.
_NOTHING = 1e-15

# What a mesh may have, in the order in which it is told: the field of `mesh.health.Health`, how bad
# it is, what one and what many are called, what else is to be said, and what to do.
_KINDS: tuple[tuple[str, Severity, tuple[str, str], str, str], ...] = (
    (
        "open_edges",
        "fail",
        ("open edge", "open edges"),
        ": the surface has a hole or a rim there",
        "close the surface and export it again",
    ),
    (
        "turned_edges",
        "fail",
        ("edge", "edges"),
        " between faces that do not agree which side is outside",
        "make the face normals consistent and export it again",
    ),
    (
        "inverted_bodies",
        "fail",
        ("body", "bodies"),
        " turned inside out: faces look inward (checked as if turned back)",
        "turn the normals of the body outward",
    ),
    (
        "crowded_edges",
        "warn",
        ("edge", "edges"),
        " shared by more than two faces: bodies that only touch along an edge",
        "let the bodies overlap or part them",
    ),
    (
        "overlapping_bodies",
        "note",
        ("pair", "pairs"),
        " of bodies that share space (united before they were cut)",
        "unite the bodies in the design",
    ),
    ("zero_area_faces", "note", ("face", "faces"), " without area", "export the mesh again"),
    ("duplicate_faces", "note", ("doubled face", "doubled faces"), "", "export the mesh again"),
)


def findings(case: Case) -> Iterator[Draft]:
    """One finding for each kind of trouble, with its first places.

    Raises InputError where the file's coordinates are coarser than the tolerance.
    """
    health = case.geometry.health
    yield from _coarse(case)
    for kind, severity, nouns, more, advice in _KINDS:
        places: Spots = getattr(health, kind)
        if places:
            yield Draft(
                check=ID,
                severity=severity,
                message=f"{counted(places.count, *nouns)}{more}, {_where(places)}",
                advice=advice,
                measured=places.count,
                limit=0,
                unit="count",
                location=places.at[0] if places.at else None,
            )
    if _empty(case):
        yield Draft(
            check=ID,
            severity="fail",
            message="its faces enclose no volume: nothing will be printed",
            advice="draw a solid and export it again",
            measured=health.volume,
            limit=0,
            unit="mm³",
        )
    if case.geometry.repairs:
        yield Draft(
            check=ID,
            severity="note",
            message=f"before it was cut the mesh was mended: {'; '.join(case.geometry.repairs)}",
            advice="mend the design itself",
            unit="",
        )
    for remark in case.geometry.facts.remarks:
        yield Draft(check=ID, severity="note", message=remark, advice="", unit="")
    if not health.complete:
        yield Draft(
            check=ID,
            severity="warn",
            message="the bodies are too many or too broken to compare all of them for overlap",
            advice="unite the bodies in the design",
            unit="",
        )
    if case.layered:
        yield from _layers(case)
        yield from _facets(case)


def _coarse(case: Case) -> Iterator[Draft]:
    """What the file's own precision does to thicknesses: two faces, each rounded by half a step at
    most, are a step nearer or farther at most."""
    step = case.geometry.facts.step * case.geometry.scale
    if step <= SHOWN:
        return
    what = f"it lies so far from the origin that its coordinates go in steps of {step:.2g} mm"
    move = "move the part near the origin before exporting it"
    most = max(min(case.rules.tolerance), SHOWN)
    if step > most:
        problem = f"{what}, more than the tolerance of {most:g} mm: its walls cannot be told"
        raise InputError(case.geometry.name, problem, remedy=capital(move))
    yield Draft(
        check=ID,
        severity="note",
        message=f"{what}: thicknesses may be off by as much",
        advice=move,
        measured=step,
        limit=SHOWN,
    )


def _empty(case: Case) -> bool:
    """Whether the faces enclose nothing, so far as double precision tells: all are without area,
    or they lie back to back."""
    health, facts = case.geometry.health, case.geometry.facts
    size = max(facts.drawn)
    no_area = health.zero_area_faces.count >= facts.triangles
    return no_area or (health.watertight and abs(health.volume) <= _NOTHING * size**3)


def _layers(case: Case) -> Iterator[Draft]:
    layering = case.geometry.layering(case.rules.layer_height)
    if not layering.layers:
        yield Draft(
            check=ID,
            severity="fail",
            message=(
                f"the part is {case.geometry.extents[2]:.3g} mm high as printed, less than half a "
                f"layer of {mm(case.rules.layer_height)} mm: nothing will be printed"
            ),
            advice="check its scale and unit, or draw it higher",
            measured=case.geometry.extents[2],
            limit=case.rules.layer_height / 2,
        )
    if layering.loose:
        yield Draft(
            check=ID,
            severity="warn",
            message=(
                f"{layering.loose} of {layering.layers} layers, between {mm(layering.lowest)} and "
                f"{mm(layering.highest)} mm as printed, have outlines that do not close: what lies "
                "within those was not checked"
            ),
            advice="close the surface and check again",
            measured=layering.loose,
            limit=0,
            unit="layers",
        )


def _facets(case: Case) -> Iterator[Draft]:
    """Facets that are farther off than a wall between them is from being judged otherwise.

    Where those of both faces stand alike, a wall is thinner by `Stretch.facets` than it was drawn;
    where they do not, its thickness varies by as much as they are off. Neither is more than the
    sagitta: how far they lie from the curve.
    """
    curved: dict[int, list[Stretch]] = {}
    for piece in case.judged:
        if piece.sagitta > SHOWN:
            curved.setdefault(piece.wall, []).append(piece)
    doubtful: list[tuple[float, float, Stretch]] = []
    for pieces in curved.values():
        wall = together(pieces)
        off = min(wall.sagitta, wall.facets + wall.maximum - wall.minimum)
        room = case.room(wall)
        if room is not None and above(off, max(room, SHOWN)):
            doubtful.append((off, max(room, SHOWN), wall))
    if not doubtful:
        return
    off, room, wall = max(doubtful, key=lambda each: (each[0] - each[1], each[2].point))
    location, box = case.place(wall.point, wall.box)
    finer = max(math.floor(100 * room) / 100, SHOWN)
    yield Draft(
        check=ID,
        severity="note",
        message=(
            f"facets too coarse for the wall {mm(wall.typical)} mm thick at {place(location)}: "
            f"they lie up to {off:.3f} mm off its curve, and it is {room:.3f} mm from a thickness "
            "that is judged otherwise"
        ),
        advice=f"export it finer, with facets no more than {limit_text(finer)} mm off the curve",
        measured=off,
        limit=room,
        location=location,
        box=box,
    )


def _where(places: Spots) -> str:
    shown = ", ".join(place(point) for point in places.at)
    return f"at {shown}" + (", ..." if places.count > len(places.at) else "")
