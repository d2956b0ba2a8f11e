import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

import wallguard
from wallguard.base.errors import InputError
from wallguard.mesh.formats import threemf
from wallguard.mesh.formats.threemf import read
from wallguard.mesh.health import examine
from wallguard.mesh.read import read_mesh

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
RELATIONSHIPS = """<?xml version="1.0"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Target="{target}" Id="r"
 Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>"""
MESH = """<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/>
<vertex x="0" y="2" z="0"/><vertex x="0" y="0" z="3"/></vertices><triangles>
<triangle v1="0" v2="2" v3="1"/><triangle v1="0" v2="1" v3="3"/>
<triangle v1="0" v2="3" v3="2"/><triangle v1="1" v2="2" v3="3"/></triangles></mesh>"""
TETRA = f'<object id="1">{MESH}</object>'


def model(resources=TETRA, build='<item objectid="1"/>', attributes="", core=CORE):
    return (
        f'<model xmlns="{core}" xmlns:p="{PRODUCTION}" {attributes}>'
        f"<resources>{resources}</resources><build>{build}</build></model>"
    )


def _zip(parts):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return stream.getvalue()


def package(root=None, target="/3D/3dmodel.model", **parts):
    parts = {"_rels/.rels": RELATIONSHIPS.format(target=target), **parts}
    if root is not None:
        parts["3D/3dmodel.model"] = root
    return _zip(parts)


def drawing(*arguments, **options):
    return read(Path("part.3mf"), package(model(*arguments, **options)))


def mistake(data):
    with pytest.raises(InputError) as caught:
        read(Path("part.3mf"), data)
    assert str(caught.value).startswith("part.3mf: ")
    return str(caught.value)


@pytest.mark.parametrize(
    ("name", "millimetres"),
    [  # 3MF Core Specification, the values of the attribute `unit` (from memory)
        ("micron", 0.001),
        ("millimeter", 1),
        ("centimeter", 10),
        ("inch", 25.4),
        ("foot", 304.8),
        ("meter", 1000),
    ],
)
def test_units(tmp_path, name, millimetres):
    path = tmp_path / "part.3mf"
    path.write_bytes(package(model(attributes=f'unit="{name}"')))
    mesh = read_mesh(path, unit="cm")  # what the format says goes before
    assert mesh.vertices.max(axis=0) == pytest.approx(np.array([1, 2, 3]) * millimetres)
    assert mesh.unit_source == "format"


def test_unit_is_millimeter_where_none_is_stated():
    assert drawing().unit == "mm"


def test_unknown_unit():
    assert "unknown unit 'parsec'" in mistake(package(model(attributes='unit="parsec"')))


def test_transform_is_row_vector_times_matrix():
    # A quarter turn about z carries x to y, then the part is moved.
    item = '<item objectid="1" transform="0 1 0 -1 0 0 0 0 1 10 20 30"/>'
    points = drawing(build=item).vertices
    assert points.tolist() == [[10, 20, 30], [10, 21, 30], [8, 20, 30], [10, 20, 33]]


def test_components_are_placed_in_their_parents_place():
    parent = (
        '<object id="2"><components><component objectid="1" transform="2 0 0 0 2 0 0 0 2 1 0 0"/>'
        '<component objectid="1"/></components></object>'
    )
    item = '<item objectid="2" transform="0 1 0 -1 0 0 0 0 1 0 0 5"/>'
    read_back = drawing(TETRA + parent, item)
    # The vertex (1, 0, 0): doubled and moved to (3, 0, 0), turned to (0, 3, 0), raised by 5.
    assert read_back.vertices[1].tolist() == [0, 3, 5]
    assert read_back.vertices[5].tolist() == [0, 1, 5]
    assert read_back.triangles.shape == (8, 3)
    assert read_back.objects.tolist() == [0] * 4 + [1] * 4


def test_mirrored_part_still_faces_outward(tmp_path):
    path = tmp_path / "part.3mf"
    item = '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>'
    path.write_bytes(package(model(build=item)))
    health = examine(read_mesh(path))
    assert health.healthy
    assert health.volume == pytest.approx(1.0)


def test_only_what_is_built_is_read():
    other = TETRA.replace('id="1"', 'id="7"')
    assert drawing(TETRA + other).triangles.shape == (4, 3)
    assert "no triangles" in mistake(package(model(build="")))


@pytest.mark.parametrize("kind", ["support", "solidsupport", "other"])
def test_what_is_not_printed_is_left_out(kind):
    helper = TETRA.replace('id="1"', f'id="2" type="{kind}"')
    both = '<item objectid="1"/><item objectid="2"/>'
    assert drawing(TETRA + helper, both).triangles.shape == (4, 3)


def test_surface_is_read_as_it_may_be_printed():
    assert drawing(TETRA.replace('id="1"', 'id="1" type="surface"')).triangles.shape == (4, 3)


def test_objects_that_touch_stay_apart(tmp_path):
    path = tmp_path / "part.3mf"
    mirror = '<item objectid="1" transform="1 0 0 0 1 0 0 0 -1 0 0 0"/>'
    path.write_bytes(package(model(build='<item objectid="1"/>' + mirror)))
    mesh = read_mesh(path)
    assert len(mesh.vertices) == 8
    health = examine(mesh)
    assert health.healthy
    assert health.bodies == 2


def test_vertices_of_other_namespaces_are_not_the_mesh():
    slices = '<s:vertices xmlns:s="urn:x"><s:vertex x="9" y="9" z="9"/></s:vertices>'
    assert drawing(TETRA.replace("<triangles>", slices + "<triangles>")).vertices.max() == 3


def test_model_parts_in_other_files():
    item = '<item objectid="1" p:path="/3D/Objects/a%20b.model"/>'
    data = package(model("", item), **{"3D/Objects/A b.model": model(build="")})
    assert read(Path("part.3mf"), data).triangles.shape == (4, 3)
    missing = package(model("", item))
    assert "'3D/Objects/a%20b.model' is missing" in mistake(missing)
    inches = package(model("", item), **{"3D/Objects/a b.model": model(attributes='unit="inch"')})
    assert "different units" in mistake(inches)


def test_extensions_that_change_the_shape_are_refused():
    attributes = 'xmlns:b="urn:lattice" requiredextensions="p b"'
    assert "requires the 3MF extension 'urn:lattice'" in mistake(
        package(model(attributes=attributes))
    )
    assert drawing(attributes='requiredextensions="p"').triangles.shape == (4, 3)


@pytest.mark.parametrize(
    ("resources", "build", "message"),
    [
        (TETRA, '<item objectid="5"/>', "has no object '5'"),
        (TETRA, "<item/>", "an attribute 'objectid' is missing"),
        (TETRA, '<item objectid="1" transform="1 0 0"/>', "a transform needs 12 numbers"),
        (TETRA, '<item objectid="1" transform="nan' + " 0" * 11 + '"/>', "needs 12 numbers"),
        (TETRA, '<item objectid="1" transform="1' + " 0" * 11 + '"/>', "flattens the part"),
        (TETRA + TETRA, '<item objectid="1"/>', "a second object '1'"),
        (TETRA.replace('v3="1"', 'v3="4"'), "", "names a vertex that its object does not have"),
        (TETRA.replace('v3="1"', 'v3="-1"'), "", "names a vertex that its object does not have"),
        (TETRA.replace('v3="1"', 'v3="1.5"'), "", "'1.5' is not a number"),
        (TETRA.replace('v3="1"', ""), "", "an attribute 'v3' is missing"),
        (TETRA.replace('v3="1"', 'v3="99999999999999999999"'), "", "line "),
        (TETRA.replace('x="1"', 'x="one"'), "", "'one' is not a number"),
        (TETRA.replace("</mesh>", ""), "", "mismatched tag"),
        (TETRA, '<item objectid="1" p:path="../../etc/passwd"/>', "does not name a part"),
        (TETRA, '<item objectid="1" p:path="http://a/b.model"/>', "does not name a part"),
    ],
)
def test_mistakes(resources, build, message):
    assert message in mistake(package(model(resources, build)))


def test_line_of_the_part_is_named():
    text = model().replace('v3="1"', 'v3="x"')
    line = text[: text.index('v3="x"')].count("\n") + 1
    assert f"line {line} of its part '3D/3dmodel.model': 'x' is not a number" in mistake(
        package(text)
    )


def test_not_a_zip():
    assert "not a whole zip file" in mistake(b"<model/>")
    assert "not a whole zip file" in mistake(package(model())[:-30])
    assert "no '_rels/.rels'" in mistake(_zip({"a": "b"}))


def test_damage_within_the_zip():
    data = bytearray(package(model()))
    data[data.index(b"3D/3dmodel.model") + 40] ^= 0xFF
    assert "its part '3D/3dmodel.model'" in mistake(bytes(data))


def test_entities_and_document_types_are_refused():
    laughs = '<!DOCTYPE m [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
    assert "declares a document type" in mistake(package(laughs + model()))
    assert "declares a document type" in mistake(package(**{"_rels/.rels": laughs + "<a>&b;</a>"}))


def test_huge_expansion_is_stopped_while_unpacking():
    bomb = package("<model>" + " " * 50_000_000)
    assert len(bomb) < 100_000
    assert "unpacks to far more" in mistake(bomb)


def test_huge_tag_is_stopped():
    noise = np.random.default_rng(1).integers(97, 123, 5_000_000, dtype=np.uint8).tobytes()
    assert "longer than 1 MiB" in mistake(package(b'<a b="' + noise + b'"/>'))


def test_deep_nesting_is_stopped():
    assert "more than 64 deep" in mistake(package("<a>" * 100_000))


def test_many_zip_entries_are_stopped(monkeypatch):
    monkeypatch.setattr("wallguard.mesh.formats.package.MAX_ENTRIES", 2)
    assert "more than 2 entries" in mistake(package(model(), a="", b=""))


def test_components_that_double_at_every_level_are_stopped():
    levels = "".join(
        f'<object id="{i + 1}"><components><component objectid="{i}"/>'
        f'<component objectid="{i}"/></components></object>'
        for i in range(1, 30)
    )
    data = package(model(TETRA + levels, '<item objectid="30"/>'))
    assert "in the same place more than 100 times" in mistake(data)


def test_components_in_a_ring_are_stopped():
    ring = '<object id="1"><components><component objectid="1"/></components></object>'
    assert "in a ring" in mistake(package(model(ring)))


def test_triangles_of_all_instances_are_counted(monkeypatch):
    monkeypatch.setattr(threemf, "MAX_TRIANGLES", 10)
    assert "more than 10 triangles" in mistake(package(model(build='<item objectid="1"/>' * 3)))


def test_start_part_must_be_one():
    assert "names no 3D model" in mistake(package(**{"_rels/.rels": "<a/>"}))
    assert "does not name a part" in mistake(package(model(), target="../x.model"))
    assert "'3D/none.model' is missing" in mistake(package(model(), target="/3D/none.model"))


@pytest.mark.parametrize(
    ("method", "said"), [(zipfile.ZIP_BZIP2, "bzip2"), (zipfile.ZIP_LZMA, "LZMA")]
)
def test_only_what_3mf_knows_is_unpacked(method, said):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        archive.writestr("_rels/.rels", RELATIONSHIPS.format(target="/3D/a.model"))
        archive.writestr("3D/a.model", model())
    with pytest.raises(InputError, match=f"packed with {said}; 3MF knows only store and deflate"):
        read(Path("a.3mf"), stream.getvalue())


SLICE = "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07"
LATTICE = "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"


def test_objects_keep_their_names():
    """Each place has the name of its object, or of what that is a component of."""
    named = TETRA.replace('id="1"', 'id="1" name=" lid &lt;b&gt;\x01 "'.replace("\x01", "&#x200e;"))
    pair = '<object id="2" name="pair"><components><component objectid="3"/>'
    pair += '<component objectid="1"/></components></object>'
    plain = TETRA.replace('id="1"', 'id="3"')
    items = '<item objectid="1"/><item objectid="2"/><item objectid="3"/>'
    made = drawing(named + plain + pair, items)
    assert made.names == ("lid <b>\\u200e", "pair", "lid <b>\\u200e", "")
    assert np.bincount(made.objects).tolist() == [4, 4, 4, 4]


def test_findings_tell_the_object(tmp_path):
    def rib(number, name, thickness, y):
        corners = [(x, y + t, z) for x in (0, 40) for t in (0, thickness) for z in (0, 10)]
        faces = [
            *((0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1)),
            *((2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)),
        ]
        vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in corners)
        triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
        mesh = f"<vertices>{vertices}</vertices><triangles>{triangles}</triangles>"
        return f'<object id="{number}" name="{name}"><mesh>{mesh}</mesh></object>'

    path, rules = tmp_path / "ribs.3mf", tmp_path / "rules.yaml"
    items = '<item objectid="1"/><item objectid="2"/>'
    path.write_bytes(package(model(rib(1, "thin", 0.6, 0) + rib(2, "thick", 3, 10), items)))
    rules.write_text(
        "wallguard: 1\nname: bench\nprocess: {category: material extrusion}\nlayer_height: 0.2\n"
        "bands: [{from: 0, fill: solid}]\nminimum: {wall: {fail: 0.8}}\n"
    )
    report = wallguard.check(wallguard.load_part(path), wallguard.load_rules(rules))
    (finding,) = report.findings
    assert finding.bodies == ("thin",)
    assert finding.message.startswith('wall 0.60 mm thick at (20.0, 0.3, 5.0) of "thin", ')
    assert report.mesh.names == ("thin", "thick")


def test_slices_are_not_read_and_that_is_told():
    """The slice extension, required or not: what is checked is the mesh."""
    stack = f'<s:slicestack xmlns:s="{SLICE}" id="9"><s:slice ztop="1"/></s:slicestack>'
    for attributes in ("", f'xmlns:s="{SLICE}" requiredextensions="s"'):
        made = drawing(stack + TETRA, attributes=attributes)
        assert made.triangles.shape == (4, 3)
        assert made.remarks == ("its slices are not read: the mesh is checked",)
    assert drawing().remarks == ()
    coarse = f'<object id="1" xmlns:s="{SLICE}" s:meshresolution="lowres">{MESH}</object>'
    assert "slices, which are not read, and a mesh of low resolution" in mistake(
        package(model(coarse))
    )


def test_a_beam_lattice_is_refused_whether_it_is_required_or_not():
    lattice = f'<b:beamlattice xmlns:b="{LATTICE}" minlength="1" radius="1"/>'
    resources = TETRA.replace("</mesh>", f"{lattice}</mesh>")
    assert "holds a beam lattice" in mistake(package(model(resources)))
    required = f'xmlns:b="{LATTICE}" requiredextensions="b"'
    assert "requires the 3MF extension" in mistake(package(model(resources, attributes=required)))


@pytest.mark.parametrize(
    "resources",
    [
        f'<x:palette><x:ink x:tone="1"/></x:palette>{TETRA}',
        TETRA.replace("<object ", '<object x:colour="2" '),
        TETRA.replace('v1="0" v2="2"', 'x:ink="4" v1="0" v2="2"'),
        f'<basematerials id="7"><base name="a" x:more="1"/></basematerials>{TETRA}',
    ],
)
def test_prefixes_that_are_not_declared_and_hold_no_geometry(resources):
    """XML (Namespaces in XML 1.0, 5) forbids them; some programs write them all the same."""
    made = drawing(resources)
    assert np.array_equal(made.vertices, drawing().vertices)
    assert np.array_equal(made.triangles, drawing().triangles)
    (said,) = made.remarks
    assert said.startswith("line ") and "'3D/3dmodel.model': a prefix is used that is not" in said
    assert said.endswith("declared; nothing of its geometry needs that")
    padded = package(model(f"<!--{'-=' * 200_000}-->{resources}"))
    assert read(Path("part.3mf"), padded).triangles.shape == (4, 3)


@pytest.mark.parametrize(
    ("resources", "build"),
    [
        (TETRA.replace("<triangles>", "<x:triangles/><triangles>"), '<item objectid="1"/>'),
        (TETRA, '<x:item objectid="1"/>'),
        (TETRA, '<item objectid="1" x:path="/3D/other.model"/>'),
        (f'<object id="1"><x:note/>{MESH}</object>', '<item objectid="1"/>'),
    ],
)
def test_prefixes_that_geometry_needs_are_refused(resources, build):
    said = mistake(package(model(resources, build)))
    assert "a prefix is not declared that geometry needs: x" in said


def test_many_prefixes_are_refused():
    many = "".join(f"<x{at}:a/>" for at in range(200))
    assert "a prefix is used that is not declared" in mistake(package(model(many + TETRA)))
