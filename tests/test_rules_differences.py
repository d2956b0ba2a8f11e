"""What one rule file asks less, more or otherwise than another."""

from dataclasses import dataclass, field, replace

import pytest

from wallguard.documents.record import key
from wallguard.documents.scalars import Number
from wallguard.rules.differences import Difference, differences
from wallguard.rules.fields import format_of
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules

BEADS = Beads(width=0.575, contours=2, smallest_wall=0.5, squeeze=0.075, smallest_fill=0.575)
BASE = Rules(
    path="r.yaml",
    name="r",
    category="material extrusion",
    layer_height=0.2,
    build_volume=(250, 210, 200),
    beads=BEADS,
    minimum={"wall": Limit(0.8, 1.2), "floor": Limit(3)},
)


def said(**changes: object) -> list[tuple[str, str]]:
    found = differences(BASE, replace(BASE, **changes))
    back = differences(replace(BASE, **changes), BASE)
    turned = {"less": "more", "more": "less", "other": "other"}
    assert [(one.key, turned[one.asks], one.after, one.before) for one in found] == [
        (one.key, one.asks, one.before, one.after) for one in back
    ]
    return [(one.message, one.asks) for one in found]


def test_equal_rules_do_not_differ() -> None:
    assert differences(BASE, replace(BASE, path="other.yaml", files=("other.yaml",))) == []


def test_what_is_for_the_reader_only_is_not_compared() -> None:
    beads = replace(BEADS, nozzle=0.6)
    assert said(name="s", notes="n", printer="p", material="m", beads=beads) == []


@pytest.mark.parametrize(
    ("minimum", "expected"),
    [
        (
            {"wall": Limit(0.4, 1.2), "floor": Limit(3)},
            [("minimum.wall.fail 0.80 to 0.40 mm", "less")],
        ),
        (
            {"wall": Limit(0.805, 1.2), "floor": Limit(4)},
            [
                ("minimum.wall.fail 0.80 to 0.805 mm", "more"),
                ("minimum.floor.fail 3 to 4 layers", "more"),
            ],
        ),
        (
            {"wall": Limit(None, 1.2)},
            [
                ("minimum.wall.fail 0.80 mm to nothing", "less"),
                ("minimum.floor.fail 3 layers to nothing", "less"),
            ],
        ),
        (
            {"wall": Limit(0.8, 1.2), "floor": Limit(3), "gap": Limit(warn=0.2)},
            [("minimum.gap.warn nothing to 0.20 mm", "more")],
        ),
    ],
)
def test_minimums(minimum: dict[str, Limit], expected: list[tuple[str, str]]) -> None:
    assert said(minimum=minimum) == expected


def test_levels_of_outcomes() -> None:
    outcomes = {**BASE.outcomes, "hollow": "ignore", "thinned": "fail"}
    assert said(outcomes=outcomes) == [
        ("outcomes.hollow fail to ignore", "less"),
        ("outcomes.thinned warn to fail", "more"),
    ]


def test_tolerance_and_build_volume() -> None:
    assert said(tolerance=(0.1, 0.2)) == [
        ("tolerance.thinner 0.15 to 0.10 mm", "more"),
        ("tolerance.thicker 0.15 to 0.20 mm", "less"),
    ]
    assert said(build_volume=(250, 210, 300)) == [
        ("build_volume [250, 210, 200] to [250, 210, 300] mm", "less")
    ]
    assert said(build_volume=(300, 210, 100))[0][1] == "other"
    assert said(build_volume=None) == [("build_volume [250, 210, 200] mm to nothing", "less")]


def test_what_decides_how_walls_come_out_is_other() -> None:
    beads = replace(BEADS, smallest_fill=0.3, width_varies=(0.4, 0.8))
    assert said(beads=beads, layer_height=0.1) == [
        ("layer_height 0.20 to 0.10 mm", "other"),
        ("beads.smallest_fill 0.575 to 0.30 mm", "other"),
        ("beads.width_varies false to [0.4, 0.8] mm", "other"),
    ]
    assert said(category="powder bed fusion", beads=None)[0] == (
        "process.category material extrusion to powder bed fusion",
        "other",
    )


def test_bands_are_told_by_the_rows_that_differ() -> None:
    one = (DeclaredBand(0, 0.5, "missing"), DeclaredBand(0.5, None, "solid"))
    other = (one[0], DeclaredBand(0.5, None, "hollow", solid_width=1.15))
    (found,) = differences(replace(BASE, bands=one), replace(BASE, bands=other))
    assert found == Difference(
        "bands",
        "from 0.50 mm, fill solid, source declared",
        "from 0.50 mm, fill hollow, source declared, solid_width 1.15 mm",
        "other",
    )
    many = tuple(DeclaredBand(i, i + 1, "hollow") for i in range(6))
    (found,) = differences(BASE, replace(BASE, bands=many))
    assert found.before == "no such row"
    assert found.after.endswith("; 3 more")


def test_a_new_key_is_compared_without_new_code() -> None:
    @dataclass(frozen=True)
    class More(Rules):
        lean: float | None = field(
            default=None,
            metadata=key(Number(0, 90, "degrees"), "Least angle of a face.", asks="more"),
        )

    table = format_of(More)
    old, new = (More("r", "r", "powder bed fusion", 0.1, lean=angle) for angle in (45.0, 30.0))
    (found,) = differences(old, new, table)
    assert (found.message, found.asks) == ("lean 45 to 30 degrees", "less")


WALL, FREE = Limit(0.8, 1.2), "free_wall"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            {"wall": Limit(0.8), FREE: Limit(1.2)},
            {"wall": Limit(1.4)},
            [
                ("minimum.wall.fail 0.80 to 1.40 mm", "more"),
                ("minimum.free_wall.fail 1.20 mm to 1.40 mm (as wall)", "more"),
            ],
        ),
        (
            {"wall": Limit(0.8), FREE: Limit(1.2)},
            {"wall": Limit(1.0)},
            [
                ("minimum.wall.fail 0.80 to 1.00 mm", "more"),
                ("minimum.free_wall.fail 1.20 mm to 1.00 mm (as wall)", "less"),
            ],
        ),
        (
            {"wall": WALL},
            {"wall": WALL, FREE: Limit(0.4)},
            [
                ("minimum.free_wall.fail 0.80 mm (as wall) to 0.40 mm", "less"),
                ("minimum.free_wall.warn 1.20 mm (as wall) to nothing", "less"),
            ],
        ),
        ({"wall": WALL}, {"wall": WALL, FREE: WALL}, []),
        ({FREE: Limit(1.2)}, {}, [("minimum.free_wall.fail 1.20 mm to nothing", "less")]),
    ],
)
def test_a_free_edge_answers_to_the_minimum_for_walls_where_it_has_none(old, new, expected):
    found = differences(replace(BASE, minimum=old), replace(BASE, minimum=new))
    assert [(one.message, one.asks) for one in found] == expected
