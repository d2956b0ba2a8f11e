"""What is measured of shapes is plain data: it comes back from memory as it was."""

import pytest
from solids import mesh
from test_checks_cavities import bowl, drilled
from test_checks_edges import blade
from test_checks_undersides import ASK, shelf
from test_shapes_rounded import block
from test_shapes_strokes import bar, on

from wallguard.part.memory import recalled, remember
from wallguard.sections.cut import cut
from wallguard.shapes.cavities import find_cavities
from wallguard.shapes.cups import find_cups
from wallguard.shapes.footprints import find_footprints
from wallguard.shapes.knives import find_knives
from wallguard.shapes.rounded import find_rounded
from wallguard.shapes.strokes import find_strokes
from wallguard.shapes.undersides import find_undersides


class Kept(dict):
    def recall(self, name):
        return self.get(name)

    def keep(self, name, content):
        self[name] = content


@pytest.mark.parametrize(
    ("kind", "measured"),
    [
        ("undersides", lambda: find_undersides(mesh(shelf(20)), ASK)),
        ("footprints", lambda: find_footprints(cut(mesh(shelf(20)), 0.2))),
        ("cavities", lambda: find_cavities(mesh(drilled(2.0)), 3.0)),
        ("cups", lambda: find_cups(cut(mesh(bowl()), 0.2))),
        ("knives", lambda: find_knives(mesh(blade(20.0)), 30.0)),
        ("strokes", lambda: find_strokes(mesh(on(bar(0.5))), (0.8, 0.8))),
        ("rounded", lambda: find_rounded(mesh(block(0.4)), 0.5)),
        ("clearances", lambda: [True, False]),
    ],
)
def test_measures_come_back_from_memory(kind, measured):
    kept, value = Kept(), measured()
    remember(kept, kind, "it", value)
    assert value
    assert recalled(kept, kind, "it") == value
