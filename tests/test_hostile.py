"""Files that are made to stall a check: the quick ones of `hostile.py`, and what says a limit.

The others run in `python tests/campaign_hostile.py`.
"""

import re

import pytest
from here import wallguard
from hostile import HOSTILE
from test_properties import LAYERED, SPACE

from wallguard.base.errors import InputError
from wallguard.mesh.formats import package, threemf
from wallguard.mesh.read import read_mesh


def refused(name, tmp_path):
    """What is said of a hostile file that cannot be read."""
    suffix, write = HOSTILE[name]
    path = tmp_path / f"part{suffix}"
    write(path)
    with pytest.raises(InputError) as caught:
        read_mesh(path)
    return str(caught.value).removeprefix(f"{path}")


def test_numbers_in_a_package_are_bounded_before_anything_is_made_of_them(tmp_path, monkeypatch):
    assert "bzip2" in refused("packed_with_bzip2", tmp_path)
    assert "not a number" in refused("a_huge_transform", tmp_path)
    monkeypatch.setattr(threemf, "MAX_OBJECTS", 1000)
    assert "more than 1000 objects" in refused("components_in_a_ring", tmp_path)
    monkeypatch.setattr(package, "MAX_ELEMENTS", 1000)
    assert "more than 1000 elements of XML" in refused("components_in_a_ring", tmp_path)


def test_components_are_counted_before_they_are_placed(tmp_path, monkeypatch):
    assert "in the same place more than 100 times" in refused("components_that_double", tmp_path)
    monkeypatch.setattr(threemf, "MAX_ALIKE", 10_000)
    monkeypatch.setattr(threemf, "MAX_INSTANCES", 4000)
    assert "more than 4000 times" in refused("components_that_double", tmp_path)
    assert "more than 4000 times" in refused("components_in_a_ring", tmp_path)


@pytest.mark.parametrize("name", ["parts_of_vertices", "parts_of_triangles", "parts_of_tiny_tags"])
def test_what_parts_say_of_their_size_is_enough_to_refuse_them(tmp_path, monkeypatch, name):
    """Nothing of them is unpacked."""
    monkeypatch.setattr(package.Package, "blocks", None)
    assert "unpacks to far more than a mesh needs" in refused(name, tmp_path)


def test_names_and_prefixes_are_bounded_as_the_parser_keeps_them(tmp_path):
    def problem(inner):
        threemf_of(tmp_path / "a.3mf", inner)
        with pytest.raises(InputError) as caught:
            read_mesh(tmp_path / "a.3mf")
        return str(caught.value)

    assert "names of elements" in problem("".join(f"<n{at}/>" for at in range(40_000)))
    prefixes = " ".join(f'xmlns:n{at}="u"' for at in range(2_000))
    assert "more than 1000 prefixes" in problem(f"<a {prefixes}/>")


def threemf_of(path, resources):
    from hostile import model
    from hostile import threemf as write

    write(path, model(resources, ""))


def test_the_line_of_a_mistake_is_told_though_empty_lines_cost_nothing(tmp_path):
    path = tmp_path / "part.obj"
    for text, line in ((b"\n" * 9 + b"v 1 2\n", 10), (b"v 1 2 3\r\n\r\n \\\r\n \tv 1\r\n", 3)):
        path.write_bytes(text)
        with pytest.raises(InputError, match=rf"^{re.escape(str(path))}:{line}: a vertex needs"):
            read_mesh(path)


@pytest.mark.parametrize("rules", [LAYERED, SPACE])
def test_a_flat_cone_is_checked(tmp_path, rules):
    """Nor is its edge, which is nothing thick, less than nothing thick."""
    suffix, write = HOSTILE["flat_cone"]
    write(tmp_path / f"part{suffix}")
    (tmp_path / "rules.yaml").write_text(rules)
    ran = wallguard(tmp_path, "check", f"part{suffix}", "--rules", "rules.yaml")
    assert ran.returncode in (0, 1), ran.stdout + ran.stderr
    assert "-0.00" not in ran.stdout
