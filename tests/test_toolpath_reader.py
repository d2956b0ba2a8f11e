"""Programs to moves: against RS274/NGC's worked cases, other libraries, and lines one by one.

Cases of NISTIR 6556 ("The NIST RS274/NGC Interpreter - Version 3", 2000) are from memory.
"""

import gzip
import math
import random
from functools import reduce
from operator import xor

import numpy as np
import pytest
from gcodeparser import parse_gcode_lines
from pygcode import Line
from pygcode import Machine as OtherMachine

from wallguard.base.errors import InputError
from wallguard.toolpath import moves as moves_module
from wallguard.toolpath import stream
from wallguard.toolpath.reader import _read, read_toolpath


@pytest.fixture
def read(tmp_path):
    """Read a program given as text or bytes."""

    def reading(text, name="program.gcode", **options):
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read_toolpath(path, **options)

    return reading


@pytest.fixture
def refused(read):
    """The error that a program gets."""

    def reading(text, **options):
        with pytest.raises(InputError) as caught:
            read(text, **options)
        return caught.value

    return reading


LAY = "\nG1 X1 E1\n"  # a program that lays nothing is refused


def ends(toolpath):
    return toolpath.end.tolist()


# What the words mean


def test_blanks_and_case_do_not_matter(read):
    # NISTIR 6556, section 3.3: "g0x +0. 12 34y 7" is equivalent to "g0 x+0.1234 y7".
    toolpath = read("g0x +0. 12 34y 7\n" + LAY)
    assert ends(toolpath)[0] == [0.1234, 7.0, 0.0]


def test_a_point_and_a_zero_before_it_may_be_left_out(read):
    toolpath = read("G01X.5Y-.25\nG001 X+3. Z-0\nG1X1E.5")
    assert ends(toolpath) == [[0.5, -0.25, 0], [3, -0.25, 0], [1, -0.25, 0]]
    assert toolpath.e.tolist() == [0, 0, 0.5]


def test_e_is_an_axis_and_no_exponent(read):
    assert read("G1X1E5").e.tolist() == [5.0]
    assert read("G1 X1E-1\nG1 X2E5").e.tolist() == [-1.0, 6.0]


def test_arc_by_its_centre(read):
    # NISTIR 6556, 3.5.3.2: "G17 G2 x 10 y 16 i 3 j 4 z 9" from X=7, Y=7: the centre is at X=10,
    # Y=11, the radius 5.
    toolpath = read("G0 X7 Y7 Z9\nG17 G2 x 10 y 16 i 3 j 4 z 9 E1\n")
    points = toolpath.end[1:]
    assert np.hypot(points[:, 0] - 10, points[:, 1] - 11) == pytest.approx(5.0, abs=1e-12)
    assert points[-1].tolist() == [10, 16, 9]
    assert (points[:, 2] == 9).all()
    # Clockwise from the lower left to the top: by way of the left side.
    assert points[:, 0].min() == pytest.approx(5.0, abs=0.005)
    assert points[:, 0].max() == 10.0


def test_arc_by_its_radius_is_helical_where_z_changes(read):
    # NISTIR 6556, 3.5.3.1: "G17 G2 x 10 y 15 r 20 z 5": an arc of radius 20 ending at X=10, Y=15,
    # Z=5; helical if Z starts elsewhere.
    toolpath = read("G0 X0 Y0 Z1\nG17 G2 x 10 y 15 r 20 z 5 E2\n")
    path = np.concatenate([toolpath.start[1:2], toolpath.end[1:]])
    assert path[-1].tolist() == [10, 15, 5]
    # The centre is 20 from both ends, to the right of the way (clockwise, less than 180 degrees).
    half = math.hypot(10, 15) / 2
    off = math.sqrt(20**2 - half**2) / (2 * half)
    centre = np.array([5 + 15 * off, 7.5 - 10 * off])
    assert np.hypot(*(path[:, :2] - centre).T) == pytest.approx(20.0, abs=1e-9)
    steps = np.diff(path, axis=0)
    assert steps[:, 2] == pytest.approx(4 / len(steps))
    assert np.hypot(steps[:, 0], steps[:, 1]).sum() == pytest.approx(
        2 * 20 * math.asin(half / 20), rel=1e-3
    )


def test_a_negative_radius_is_the_longer_arc(read):
    # NISTIR 6556, 3.5.3.1: a negative radius means an arc of more than 180 degrees.
    length = {}
    for radius in (20, -20):
        toolpath = read(f"G3 X10 Y15 R{radius} E1\n")
        length[radius] = np.hypot(*(toolpath.end - toolpath.start)[:, :2].T).sum()
    assert length[20] + length[-20] == pytest.approx(2 * math.pi * 20, rel=1e-3)
    assert length[20] < math.pi * 20 < length[-20]


@pytest.mark.parametrize("line", ["G2 I5 E1", "G2 X0 Y0 I5 J0 E1", "G91 G2 X0 I5 E1"])
def test_an_arc_that_ends_where_it_starts_is_a_full_circle(read, line):
    toolpath = read(line)
    (ax, ay, _), (bx, by, _) = toolpath.start.T, toolpath.end.T
    area = (ax * by - ay * bx).sum() / 2
    assert area == pytest.approx(-math.pi * 25, rel=2e-3)
    assert toolpath.end[-1].tolist() == [0, 0, 0]


@pytest.mark.parametrize("radius", [0.01, 0.3, 5.0, 700.0])
def test_chords_keep_to_the_stated_sagitta_and_share_e_by_length(read, radius):
    toolpath = read(f"M83\nG3 I{radius} E7.5\n")
    middle = (toolpath.start + toolpath.end)[:, :2] / 2 - [radius, 0]
    assert radius - np.hypot(*middle.T).min() <= toolpath.sagitta * (1 + 1e-9)
    assert toolpath.sagitta == 0.005
    assert toolpath.e == pytest.approx(7.5 / len(toolpath))
    assert toolpath.e.sum() == pytest.approx(7.5, abs=1e-12)
    assert (toolpath.line == 2).all()


def test_inches(read):
    # The international inch: 25.4 mm. Units may change in the middle of a program.
    toolpath = read("G20\nG1 X1 Y2 E.1 F10\nG21\nG1 X2.54 Y0 E3.54\nG20 G91 G3 X1 R.5\n")
    assert ends(toolpath)[0] == [25.4, 50.8, 0]
    assert ends(toolpath)[1] == [2.54, 0, 0]
    assert ends(toolpath)[-1] == pytest.approx([27.94, 0, 0])
    assert toolpath.e[:2] == pytest.approx([2.54, 1.0])
    assert toolpath.feed[0] == 254.0
    assert toolpath.units == ("mm", "inch")
    assert toolpath.end[:, 1].min() == pytest.approx(-12.7, abs=0.01)


def test_g92_shifts_the_coordinates_and_not_the_machine(read):
    # NISTIR 6556, 3.5.18: at X=4, "G92 x7" sets the X offset to -3.
    toolpath = read("G1 X4 E1\nG92 x7\nG1 X8 E2\nG92 E0\nG1 X9 E1.5\nG92.1\nG1 X0 E2\n")
    assert toolpath.end[:, 0].tolist() == [4.0, 5.0, 6.0, 0.0]
    assert toolpath.e.tolist() == [1.0, 1.0, 1.5, 0.5]


def test_g92_offsets_are_kept_and_restored(read):
    # NISTIR 6556, 3.5.18: G92.2 resets offsets, G92.3 applies the kept ones again.
    toolpath = read("G92 Y10\nG1 Y10 X1 E1\nG92.2\nG1 Y10 E2\nG92.3\nG1 Y10 E3\n")
    assert toolpath.end[:, 1].tolist() == [0.0, 10.0, 0.0]


def test_g92_alone_makes_all_axes_zero(read):
    toolpath = read("G1 X4 Y5 E3\nG92\nG1 X1 E1\n")
    assert ends(toolpath)[1] == [5, 5, 0]
    assert toolpath.e.tolist() == [3, 1]


def test_home_with_and_without_axes(read):
    toolpath = read("G1 X4 Y5 Z6 E1\nG28 X Y0\nG1 X1 E2\ng28\nG1 X1 E3\n")
    assert toolpath.start.tolist() == [[0, 0, 0], [0, 0, 6], [0, 0, 0]]


def test_settings_of_a_line_hold_for_its_move(read):
    # NISTIR 6556 table 8: units and distance mode are set before the motion of the same line.
    toolpath = read("G1 X1 E1\nG1 X1 G91 G20 E1\n")
    assert toolpath.end[1, 0] == pytest.approx(26.4)


def test_motion_is_modal(read):
    toolpath = read("G1 E1 X1\nY2\nX3 E2\nG90\nZ1\n")
    assert ends(toolpath) == [[1, 0, 0], [1, 2, 0], [3, 2, 0], [3, 2, 1]]
    assert toolpath.line.tolist() == [1, 2, 3, 5]


def test_e_follows_the_distance_mode_until_it_has_its_own(read):
    assert read("G91\nG1 X1 E1\nG1 X1 E2\nG90\nG1 X1 E5\n").e.tolist() == [1, 2, 2]
    assert read("M83\nG90\nG1 X1 E1\nG1 X2 E1\nM82\nG1 X3 E4\n").e.tolist() == [1, 1, 2]


def test_absolute_e_in_relative_mode_is_read_as_said_and_warned_of(read):
    toolpath = read("M82\nG1 X5 E5\nG91\nG1 E-1\nG90\n")
    assert toolpath.e.tolist() == [5, -6]
    assert toolpath.warnings[0].startswith("line 4: E is absolute (M82)")


def test_tools(read):
    toolpath = read("G1 X1 E1\nT1\nG1 X2 E2\nM6 T3\nG1 X3 E3\nM104 S200 T0\nG1 X4 E4\nT?\n")
    assert toolpath.tool.tolist() == [0, 1, 3, 3]
    assert toolpath.unknown == {"M104": 1, "M6": 1, "T": 1}


def test_comments_say_nothing(read):
    text = "G1 (X5) X1 ; G1 X9 E9\n(G1 X7)\n; (\nG1(a;b)X2E1;(\n  ;\n"
    assert ends(read(text)) == [[1, 0, 0], [2, 0, 0]]


def test_unknown_codes_are_counted_and_left_alone(read):
    toolpath = read(
        "M117 Layer 1, 20% done!\nM201 X500 Y500 E5000\nG29 X3\nM201 X1\nSTART_PRINT BED=60\n"
        "G4 P10\nM117 G1\n@pause now\n" + LAY
    )
    assert toolpath.unknown == {
        "@PAUSE": 1,
        "G29": 1,
        "G4": 1,
        "M117": 2,
        "M201": 2,
        "START_PRINT": 1,
    }
    assert ends(toolpath) == [[1, 0, 0]]


def test_a_move_may_stand_behind_a_code_that_is_unknown(read):
    assert ends(read("M3 S100 G1 X4" + LAY)) == [[4, 0, 0], [1, 0, 0]]


def test_a_program_ends_where_it_says(read):
    assert len(read("%\nG1 X1 E1\n%\nG1 X2 E2\n")) == 1
    assert len(read("G1 X1 E1\nM2\nG1 X2 E2\n")) == 1


def checksummed(lines):
    numbered = (f"N{number} {line}".encode() for number, line in enumerate(lines, 1))
    return b"".join(line + b"*%d\n" % reduce(xor, line) for line in numbered)


def test_line_numbers_and_checksums(read, refused):
    # The exclusive or of all bytes before the star (common practice, no published source).
    assert read(b"N3 T0*%d\n" % reduce(xor, b"N3 T0") + LAY.encode()).tool.tolist() == [0]
    text = checksummed(["G1 X1 Y2 E1", "G1 X5 E2 (done)", "M117 a*b"])
    assert ends(read(text)) == [[1, 2, 0], [5, 2, 0]]
    error = refused(text.replace(b"X5", b"X6"))
    assert error.line == 2
    assert "checksum" in error.problem
    assert refused("N1 G1 X1 E1*300").line == 1


# Files


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_and_byte_order_mark(read, monkeypatch, end):
    monkeypatch.setattr(stream, "_BLOCK", 7)  # ends fall between blocks
    lines = ["﻿G1 X1 E1", "", "G1 X2 E2", "; done", "G1 X3 E3"]
    assert read(end.join(lines)).line.tolist() == [1, 3, 5]


def test_gzip_reads_the_same_and_reports_progress(read, tmp_path):
    text = "".join(f"G1 X{n} E{n}\n" for n in range(1, 5000)).encode()
    plain = read(text)
    seen = []
    packed = read(
        gzip.compress(text), "a.gz", progress=lambda done, size: seen.append((done, size))
    )
    assert np.array_equal(plain.end, packed.end)
    size = (tmp_path / "a.gz").stat().st_size
    assert seen[-1] == (size, size)


def test_blocks_of_any_size_read_the_same(read, monkeypatch):
    text = "".join(f"G1 X{n % 7}.5 Y{n} E{n} ; note\nM106 S{n}\n" for n in range(1, 400))
    whole = read(text)
    monkeypatch.setattr(stream, "_BLOCK", 1000)
    parts = read(text)
    for name in ("start", "end", "e", "line", "feed"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name))
    assert whole.unknown == parts.unknown == {"M106": 399}
    assert whole.lines == parts.lines == 798


# Runs of plain lines and lines one by one


def random_program(rng):
    """Lines of all kinds, most of them plain; all of them are in order."""
    absolute = True
    lines = []
    for _ in range(rng.randint(1, 12)):
        for _ in range(rng.choice([1, 3, 40])):
            words = [rng.choice(["G1", "G0", "g1", "G01", "G00", "G1 "])]
            for letter in rng.sample("XYZEFxe", rng.randint(0, 5)):
                if letter.upper() in {word[0].upper() for word in words}:
                    continue
                sign = "" if letter in "Ff" else rng.choice(["", "-", "+"])
                digits = rng.choice(["{:.3f}", "{:.0f}", "{:.0f}.", "{:.5f}"])
                words.append(letter + sign + digits.format(rng.uniform(0, 50)).lstrip("0"))
                if words[-1][1:] in ("", ".", "-", "+", "-.", "+."):
                    words[-1] = letter + "0"
            line = rng.choice([" ", "", "\t"]).join(words)
            if rng.random() < 0.1:
                line = rng.choice(
                    [
                        "",
                        "  ",
                        "; X5",
                        "Y3",
                        "F90",
                        "M204 S5",
                        "M73 P1 ; x",
                        "M117 a b.",
                        "(c)",
                        line + "(c)",
                    ]
                )
            if rng.random() < 0.1 and not line.startswith("  "):
                line = f"{rng.choice('Nn')}{rng.randint(0, 99)}{rng.choice(['', ' '])}{line}"
                if rng.random() < 0.5 and ";" not in line:
                    line += f"*{reduce(xor, line.encode(), 0) ^ (rng.random() < 0.01)}"
            if rng.random() < 0.1:
                line += rng.choice(["; G1 X9", " ;", "  "])
            lines.append(line)
        relative = rng.choice(["G90", "G91"])
        absolute = relative == "G90"
        lines.append(
            rng.choice(
                [
                    relative if absolute else "G91",
                    "M82",
                    "M83",
                    "G20",
                    "G21",
                    "T1",
                    "G92 E0",
                    "G92 X1 Y2.5",
                    "G28 X",
                    "G28",
                    "X3 Y4",
                    "G1 X 1 2 . 5",
                    "G2 X5 Y5 R90",
                    "G3 I2 E1",
                    "M104 S1 T2",
                    "N7 G1 X3 Y1 E2",
                ]
            )
            if lines
            else "G1"
        )
    lines.append("G21\nG90\nG1 X70 Y70\nM83\nG1 X60 E9000")
    return "\n".join(lines)


def outcome(path, in_runs):
    try:
        return _read(path, 1.75, 1.0, None, in_runs=in_runs)
    except InputError as error:
        return str(error)


def test_runs_mean_what_their_lines_mean(tmp_path, monkeypatch):
    monkeypatch.setattr("wallguard.toolpath.reader.WORTHWHILE", 1)
    path = tmp_path / "random.gcode"
    read = 0
    for seed in range(150):
        rng = random.Random(seed)
        text = random_program(rng)
        if seed % 5 == 0:  # and one in five is broken somewhere
            place = rng.randrange(len(text))
            text = text[:place] + rng.choice("#*;(.-XGME9 \n") + text[place + 1 :]
        path.write_text(text)
        fast, slow = outcome(path, True), outcome(path, False)
        assert type(fast) is type(slow), seed
        if isinstance(fast, str):
            assert fast == slow, seed
            continue
        read += 1
        for name in ("start", "end", "e", "line", "tool", "feed"):
            assert np.array_equal(getattr(fast, name), getattr(slow, name)), (seed, name)
        for name in ("unknown", "warnings", "units"):
            assert getattr(fast, name) == getattr(slow, name), (seed, name)
    assert read


# Other people's libraries on the same file


def plain_program(seed, count=400):
    rng = random.Random(seed)
    lines, e = ["G21", "G90", "M82", "G1 Z0.2 F600"], 0.0
    for _ in range(count):
        e += rng.uniform(0.01, 0.5)
        lines.append(f"G1 X{rng.uniform(-90, 90):.3f} Y{rng.uniform(-90, 90):.3f} E{e:.5f}")
        if rng.random() < 0.2:
            lines.append(f"G0 X{rng.uniform(-90, 90):.3f} F{rng.randint(1000, 9000)} ; go")
    return "\n".join(lines) + "\n"


def test_words_agree_with_gcodeparser(read):
    """gcodeparser (PyPI), a general-purpose parser, gives words; here they are positions."""
    text = plain_program(1)
    toolpath = read(text)
    at = dict.fromkeys("XYZE", 0.0)
    expected = []
    for line in parse_gcode_lines(text):
        if line.command in (("G", 0), ("G", 1)):
            before = at["E"]
            at.update({axis: value for axis, value in line.params.items() if axis in at})
            expected.append([at["X"], at["Y"], at["Z"], at["E"] - before])
    found = np.column_stack([toolpath.end, toolpath.e])
    assert len(expected) > 400
    assert found == pytest.approx(np.array(expected), abs=1e-12)


def test_positions_agree_with_pygcode(read):
    """pygcode (PyPI), a general-purpose interpreter of machine G-code, knows modes and arcs, but
    no axis E. (Its G92 adds the words to the position, unlike NISTIR 6556, and is left out.)"""
    rng = random.Random(3)
    lines = ["G21 G90"]
    for _ in range(300):
        x, y = round(rng.uniform(-20, 20), 3), round(rng.uniform(-20, 20), 3)
        lines += rng.choice(
            [
                [f"G1 X{x} Y{y} F300", f"Y{x} (modal)"],
                [f"g0x{x}"],
                ["G91"],
                ["G90"],
                [f"G1 Z{abs(x)}"],
                [f"G2 X{x} Y{y} R500 ; arc"],
                [f"G90 G3 X{x} Y{y} R-500"],
            ]
        )
    other, expected = OtherMachine(), {}
    for number, text in enumerate(lines, 1):
        other.process_block(Line(text).block)
        expected[number] = (other.pos.X, other.pos.Y, other.pos.Z)
    toolpath = read("\n".join([*lines, "G90 G1 X900 E5"]) + "\n")
    last = {int(line): end for line, end in zip(toolpath.line, toolpath.end, strict=True)}
    shown = [(last[line], at) for line, at in expected.items() if line in last]
    assert len(shown) > 150
    assert np.array([found for found, _ in shown]) == pytest.approx(
        np.array([at for _, at in shown]), abs=1e-6
    )


# Bad input


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("G1 X", "X without a number"),
        ("G1 X1 X2", "two words with X"),
        ("G1 X1.2.3 E1", "'.3E1'"),
        ("G1 Xnan", "X without a number"),
        ("G1 Xinf", "X without a number"),
        ("G1 X99999999999 E1", "out of any machine's reach"),
        ("G1 X" + "9" * 400, "out of any machine's reach"),
        ("G1 E" + "9" * 400, "out of any machine's reach"),
        ("G1 X1 F-5", "no feed"),
        ("G X1", "G without a number"),
        ("G" + "9" * 400 + " X3", "is no code"),
        ("G1 X3 G" + "9" * 400, "is no code"),
        ("G1 {x}", "'{X}'"),
        ("G1 X[1+2]", "expressions"),
        ("#3=15", "expressions"),
        ("/G1 X1", "slash"),
        ("G1 X1 (open", "cannot be read"),
        ("(open", "closing bracket"),
        ("G0 G1 X1", "two kinds of motion"),
        ("G92 X0 G1 Y5", "both want"),
        ("G55", "another coordinate system"),
        ("G10 L2 P1 X5", "coordinate system"),
        ("G81 X1 Z-3 R1", "drilling"),
        ("G5 X1 Y1 I1 J1", "spline"),
        ("G1 X1 A30", "an axis other than"),
        ("G18\nG2 X5 R9", "only arcs in the XY plane"),
        ("G2 X5", "needs a centre"),
        ("G2 R5", "ends where it starts"),
        ("G2 X50 R5", "more than two radii"),
        ("G2 X5 Y1 I1", "from its centre"),
        ("G2 X5 I1 R3", "both a radius and a centre"),
        ("G2 X5 I2.5 P3", "several turns"),
        ("G92 E0\nX5", "no motion code"),
        ("G1.55 X3", "no code"),
        ("hm X3", "H without a number"),
        ("G1 X1\u00b5", "cannot be read"),
    ],
)
def test_a_broken_line_is_named(refused, line, said):
    error = refused("; made\n" + line + LAY)
    assert said in error.problem
    assert error.line == 2 + line.count("\n")
    assert error.remedy


def test_a_broken_line_far_down_is_named(refused):
    good = "".join(f"G1 X{n % 50} E{n}\n" for n in range(1, 60001))
    assert refused(good + "G1 X1.5.2\n" + good).line == 60001


def test_other_machines_programs(refused):
    milling = refused("G21 G90 G17\nM3 S12000\nG0 X1 Y1\nG1 Z-1 F100\nX20\nM5\nM30\n")
    assert "feeds no filament" in milling.problem
    assert "milling or laser" in milling.remedy
    assert "lays no material" in refused("G1 E5\nG1 X5\n").problem
    assert "this is not G-code" in refused("Dear reader,\nthis IS NO TOOLPATH\n").problem


def relative_program(count=200):
    rng = random.Random(9)
    x, lines = 0.0, []
    for _ in range(count):
        step = rng.uniform(-9, 9)
        x += step
        lines.append(f"G1 X{x:.3f} E{abs(step) * 0.04:.5f}")
    return "\n".join(lines) + "\n"


def test_relative_e_read_as_absolute_is_refused(read, refused):
    assert len(read("M83\n" + relative_program())) == 200
    error = refused("M82\n" + relative_program())
    assert "look relative" in error.problem
    assert "M82 in line 1" in error.problem
    assert "M83" in error.remedy
    assert "nothing in it says" in refused(relative_program()).problem


def test_absolute_e_read_as_relative_is_refused(read, refused):
    text = plain_program(2)
    assert len(read(text)) > 400
    error = refused(text.replace("M82", "M83"))
    assert "look absolute" in error.problem
    assert error.line > 300
    # The same where the filament is counted anew with every layer.
    layers = "M83\n" + "".join(plain_program(seed, 40) + "G92 E0\n" for seed in range(5))
    assert "look absolute" in refused(layers.replace("M82\n", "")).problem


def test_growing_lengths_are_no_sign_of_absolute_e(read):
    text = "".join(f"G1 X{(-1) ** n * n} E{n * 0.08:.4f}\n" for n in range(1, 100))
    assert len(read("M83\n" + text)) == 99


def test_files_that_are_no_text(refused, tmp_path):
    binary = refused(b"G1 X1 E1\nG1 X2\x00\x01\xff E2\n")
    assert binary.line == 2
    assert "binary data" in binary.problem
    assert "zip package" in refused(b"PK\x03\x04\x00\x00").problem
    assert "empty" in refused(b"").problem
    assert "LFS pointer" in refused("version https://git-lfs.github.com/spec/v1\noid\n").problem
    with pytest.raises(InputError, match="this is a folder"):
        read_toolpath(tmp_path)
    with pytest.raises(InputError, match="there is no such file"):
        read_toolpath(tmp_path / "none.gcode")


def test_truncated_files(read, refused):
    text = "".join(f"G1 X{n} E{n}\n" for n in range(1, 3000))
    cut = refused(text + "G1 X5 Y")
    assert cut.line == 3000
    assert "cut short" in cut.remedy
    (warning,) = read(text + "G1 X5").warnings
    assert warning.startswith("line 3000: the last line has no line end")
    packed = gzip.compress(text.encode())
    assert "gzip data is cut short" in refused(packed[:-2000]).problem
    assert refused(packed[:100] + b"zzzz" + packed[104:]).remedy


def test_a_line_of_ten_megabytes(refused):
    error = refused("G1 X1 E1\n;" + "x" * 10_000_000 + "\n")
    assert error.line == 2
    assert "longer than" in error.problem


def test_millions_of_blank_lines(read, refused):
    assert "holds no move" in refused("\n" * 5_000_000).problem
    assert read("\n" * 3_000_000 + "G1 X1 E1\n").line.tolist() == [3_000_001]


def test_a_packed_file_must_not_grow_without_bound(refused, monkeypatch):
    monkeypatch.setattr(stream, "_SMALL", 1024**2)
    error = refused(gzip.compress(b"G1 X1 E1\n" * 1_000_000))
    assert "packed in" in error.problem


def test_bounds_on_size_and_moves(refused, monkeypatch):
    text = "".join(f"G1 X{n} E{n}\n" for n in range(1, 3000))
    monkeypatch.setattr(moves_module, "MAX_MOVES", 1000)
    assert "moves" in refused(text).problem
    monkeypatch.setattr(stream, "MAX_BYTES", 1000)
    assert "larger than" in refused(text).problem


def test_filament_and_flow_must_be_sizes(refused):
    assert "filament diameter" in refused("G1 X1 E1", filament=0.0).problem
    assert "flow factor" in refused("G1 X1 E1", flow=math.nan).problem


def test_arcs_whose_radii_differ_a_little_are_warned_of(read):
    (warning,) = read("G2 X10 Y0 I5.01 E1\n").warnings
    assert warning.startswith("line 1: the radii")
    assert "0.020 mm" in warning
    assert read("G2 X10 Y0 I5.0005 E1\n").warnings == ()


# How much of what is fed is laid


@pytest.mark.parametrize("in_runs", [True, False])
def test_flow_in_per_cent_is_obeyed(tmp_path, in_runs):
    path = tmp_path / "toolpath.gcode"
    lines = [
        "M83",
        "G1 X1 E1",
        "M221 S95",
        *["G1 X2 E1", "G1 E-1", "G1 X1 E1"] * 20,
        "M221 S100 T0",
    ]
    path.write_text("\n".join([*lines, "G1 X9 E1"]))
    found = _read(path, 1.75, 1.0, None, in_runs=in_runs)
    assert found.e[[0, 1, 2, -1]] == pytest.approx([1, 0.95, -0.95, 1])
    assert found.warnings[0].startswith("line 3: M221 S95: 95 % of what E says is laid")


def test_flow_is_a_tools_own_and_absolute_positions_are_not_scaled(read):
    found = read("M82\nM221 S50 T1\nG1 X1 E1\nT1\nG1 X2 E3\nM221 S100\nG1 X3 E4\n")
    assert found.e == pytest.approx([1, 1, 1])


def test_e_in_volumes(read):
    area = math.pi / 4 * 1.75**2
    found = read("M200 D1.75\nM83\nG1 X1 E2.4\nM200 D0\nG1 X2 E2.4\nM200 S1\nG1 X3 E2.4\n")
    assert found.e == pytest.approx([2.4 / area, 2.4, 2.4 / area])
    assert "line 1: M200: E words are volumes in mm³" in found.warnings
    # Whatever the filament, what is laid is what the file says.
    thick = read("M200 D2.85\nM83\nG1 X1 E2.4\n", filament=2.85)
    assert thick.e * math.pi / 4 * 2.85**2 == pytest.approx([2.4])


@pytest.mark.parametrize("line", ["M221 S0", "M221 S-5", "M221 SX", "M200 D1.75 Q5", "M200 D"])
def test_flow_that_cannot_be_followed_is_refused_by_name(refused, line):
    error = refused("M83\n" + line + LAY)
    assert line.split()[0] in error.problem
    assert error.line == 2


def test_volumes_in_inches_are_refused_by_name(refused):
    assert "M200" in refused("G20\nM200 D1.75" + LAY).problem
    assert "M200" in refused("M200 D1.75\nG20" + LAY).problem


# A line that was not filled in, before the first layer


START = ["M83", "G28", "G1 Z[first_layer] F300", "G1 X5 Y0", "G1 X60 E9", "G1 Z0.2 F600"]


def test_an_unfilled_line_before_the_first_layer_is_a_remark(read):
    laying = [f"G1 X{n} Y{n % 7} E1" for n in range(1, 60)]
    found = read("\n".join([*START, *laying]))
    assert found.warnings[0].startswith("line 3: parameters and expressions are not computed")
    # Where the nozzle stood for the priming is not known, so it laid nothing.
    moving = (found.start[:, :2] != found.end[:, :2]).any(axis=1) & (found.e > 0)
    assert found.line[moving].min() == 7
    assert found.end[moving][:, 2] == pytest.approx(0.2)


def test_an_axis_never_given_again_is_an_error(refused):
    laying = [f"G1 X{n} Y{n % 7} E1" for n in range(1, 60)]
    error = refused("\n".join([*START[:-1], *laying]))
    assert (error.line, error.problem[:14]) == (3, "parameters and")


def test_an_unfilled_line_later_is_an_error(refused):
    laying = [f"G1 X{n} Y{n % 7} E1" for n in range(1, 60)]
    assert refused("\n".join(["M83", "G1 Z0.2", *laying, "G1 Z[next]", *laying])).line == 62


def test_a_broken_mode_is_never_skipped(refused):
    laying = [f"G1 X{n} Y{n % 7} Z0.2 E1" for n in range(1, 60)]
    assert refused("\n".join(["M83", "G20 X[a]", *laying])).line == 2


def test_zero_set_before_the_print_is_the_plate(read):
    found = read("M83\nG1 Z5\nG92 Z0\nG1 Z0.2\nG1 X9 E1\n")
    assert found.end[-1, 2] == pytest.approx(0.2)
    # Later it is a matter of counting: the machine goes on from where it is.
    laying = "".join(f"G1 X{n % 9} E1\n" for n in range(40))
    found = read("M83\nG1 Z0.2\n" + laying + "G92 Z0\nG1 Z0.2\nG1 X20 E1\n")
    assert found.end[-1, 2] == pytest.approx(0.4)


TEXTS = ["# A part\n\nHow to print it.\n", "{'a': 1}\n", "solid x\n facet"]


@pytest.mark.parametrize("text", TEXTS)
def test_a_text_of_another_kind_is_no_g_code(refused, text):
    assert "this is not G-code" in refused(text).problem


def test_many_arcs_cost_what_their_chords_cost(read):
    """Arcs in a run are the arcs one by one."""
    lines = ["M83", "G0 X10 Y0 Z0.2"]
    for n in range(40):
        lines.append(f"G3 X{'0' if n % 2 == 0 else '10'} Y{'10' if n % 2 == 0 else '0'} I-10 E1")
        lines[-1] = lines[-1] if n % 2 == 0 else "G2 X10 Y0 J-10 E1"
    text = "\n".join(lines)
    together = read(text)
    assert together.arcs == 40
    assert together.e.sum() == pytest.approx(40)
    assert np.hypot(*together.end[:, :2].T) == pytest.approx(10, abs=1e-9)
