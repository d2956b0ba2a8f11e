"""What each line of a toolpath does: the machine's state, and the moves that follow from it.

Meanings as in RS274/NGC (NISTIR 6556, from memory) unless said otherwise. What a printer adds is
common practice without a published standard: the axis E; M82 and M83; G28 with bare letters; T at
once; G92 without words; M200 and M221. All lengths are kept in mm.

M221 S95 lays 95 % of what E says from there on, drawing back included; M221 S95 T1 does so for one
tool. M200 D1.75 makes E words volumes (mm^3) until M200 D0 (common practice, no published source).

A toolpath often begins with lines that somebody wrote by hand, and in which something was to be
filled in that was not: `G1 Z[first_layer]`. A line that cannot be read is skipped while no more
has been laid than to prime the nozzle; where the axes that it names stand is not known then, and
what is laid before they are given again is primed, not laid.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError
from wallguard.toolpath.arcs import (
    SAGITTA,
    STRICT_RADII,
    ArcError,
    Points,
    centres,
    chords,
    split_arcs,
)
from wallguard.toolpath.moves import Store
from wallguard.toolpath.words import LineError, Words, split

# No machine reaches further, mm (or feeds faster, mm/min).
REACH = 1e6
FASTEST = 1e8

# Codes that are obeyed; each is a G number times ten.
_MOTION = {0, 10, 20, 30}
_PLANES = {170: "XY", 180: "XZ", 190: "YZ"}
_OFFSETS = {920, 921, 922, 923}
_OBEYED = _MOTION | set(_PLANES) | _OFFSETS | {200, 210, 280, 800, 900, 910}
# Codes that change nothing in where the machine goes: no cutter or tool length compensation,
# first coordinate system, path control, feed modes, relative arc centres.
_HARMLESS = {400, 490, 540, 610, 611, 640, 911, 930, 940, 950}
# Codes that move the axes, or change where a move leads, in ways that are not followed here.
_REFUSED = {
    50: "a spline",
    51: "a spline",
    52: "a spline",
    150: "polar coordinates",
    160: "polar coordinates",
    410: "cutter compensation",
    420: "cutter compensation",
    430: "a tool length offset",
    431: "a tool length offset",
    510: "scaling",
    530: "machine coordinates",
    680: "rotation",
    730: "a drilling cycle",
    760: "a threading cycle",
    901: "absolute arc centres",
} | dict.fromkeys((550, 560, 570, 580, 590, 591, 592, 593), "another coordinate system")
_REFUSED |= dict.fromkeys(range(810, 900, 10), "a drilling cycle")
_END = {2, 30}
_EXTRUDER = {82, 83}
_FLOWS = {200, 221}
# M codes that may stand with a move on one line (NISTIR 6556 table 7, from memory) and leave a
# tool number on that line its meaning.
_WITH_TOOL = {0, 1, 3, 4, 5, 6, 7, 8, 9, 48, 49, 60}
_OTHER_AXES = "ABCUVW"
_AXES = ("X", "Y", "Z", "E")
_NEAR = "XYZIJR"
_STRAIGHT = (("G", 1.0), ("G", 0.0))
_PLAIN = frozenset("XYZEF")

MAX_UNKNOWN = 1000  # different codes kept apart
# Strands that are laid to prime the nozzle: a line or two, there and back, perhaps round a corner
# (common practice, no published source). What comes after them is the print.
PRIMING = 20

# Letters of a line that cannot be read, outside of comments; and codes that must be understood.
_LETTER = re.compile(r"(?<![A-Z_])[XYZE]")
_COMMENTS = re.compile(r";.*|\([^)]*\)?")
_STATEFUL = re.compile(
    r"(?<![A-Z])(?:G\s*0*(?:20|21|28|90|91|92)(?![0-9])|M\s*0*(?:82|83|200|221)(?![0-9])|T\s*[0-9])"
)


class NotFollowedError(LineError):
    """A line that is understood, and asks for what is not followed here."""


class Machine:
    """Obeys one line after the other and puts the moves into `store`."""

    def __init__(self, path: Path, store: Store, filament: float = 1.75) -> None:
        self.path = path
        self.store = store
        self.area = math.pi / 4 * filament**2  # mm^2
        # Position in the toolpath's coordinates, and what to add for the machine's; order X Y Z.
        self.at = [0.0, 0.0, 0.0]
        self.offset = [0.0, 0.0, 0.0]
        self.saved = [0.0, 0.0, 0.0]
        self.e = 0.0
        self.scale = 1.0
        self.relative = False
        self.e_mode: bool | None = None  # relative? None: as the other axes
        self.motion: int | None = None
        self.plane = 170
        self.tool = 0
        self.feed = 0.0
        self.ended = False
        self.percent = False
        self.unended: int | None = None  # number of a last line without line end
        self.unknown: Counter[str] = Counter()
        self.units: set[str] = set()
        self.arcs = 0
        self.misfits = 0
        self.worst_misfit = 0.0
        self.first_misfit = 0
        self.first_mixed = 0
        self.modes: list[tuple[int, str]] = []  # lines that set how E is meant
        self.flows: dict[int, float] = {}  # by tool, from M221
        self.volumes: set[int] = set()  # tools of which E words are volumes, from M200
        self.said: dict[str, int] = {}  # what M200 and M221 changed, and in which line first
        self.laid = 0  # moves that lay, until they are PRIMING
        self.doubt: set[str] = set()  # letters of axes of which the position is not known
        self.skipped: list[InputError] = []

    @property
    def per_word(self) -> float:
        """Filament (mm) that comes out for each mm, or mm^3, of an E word of the present tool."""
        flow = self.flows.get(self.tool, 1.0)
        return flow / self.area if self.tool in self.volumes else flow

    @property
    def e_relative(self) -> bool:
        """Whether E words are lengths to feed rather than positions of the filament."""
        return self.relative if self.e_mode is None else self.e_mode

    def mixed(self, line: int) -> None:
        """Note a first E word whose meaning machines do not agree on."""
        if self.e_mode is False and self.relative and not self.first_mixed:
            self.first_mixed = line

    def count(self, name: str, times: int = 1) -> None:
        """Count codes that are left alone."""
        if name not in self.unknown and len(self.unknown) >= MAX_UNKNOWN:
            name = "others"
        self.unknown[name] += times

    def broken(self, line: int, problem: str) -> InputError:
        """The error for a line that cannot be obeyed."""
        cut = line == self.unended
        return InputError(
            self.path,
            problem + (", and the file ends within this line" if cut else ""),
            remedy="The file seems to be cut short: make or copy it again"
            if cut
            else "Mend this line, or make the toolpath again",
            line=line,
        )

    def obey(self, raw: bytes, line: int) -> None:
        """Carry out one line. Raises InputError."""
        try:
            words = split(raw)
            if words is not None:
                self._obey(words, line)
        except (LineError, ArcError) as error:
            broken = self.broken(line, str(error))
            understood = isinstance(error, NotFollowedError | ArcError)
            if understood or not self._skip(raw, line, broken):
                raise broken from error

    def _skip(self, raw: bytes, line: int, broken: InputError) -> bool:
        """Whether a line that cannot be read may be passed over; see above."""
        said = _COMMENTS.sub("", raw.decode("latin-1").upper())
        if self.laid >= PRIMING or line == self.unended or _STATEFUL.search(said):
            return False
        if not any(character.isalpha() for character in said):
            return False
        self.skipped.append(broken)
        self.doubt |= set(_LETTER.findall(said))
        return True

    def unsettled(self) -> InputError | None:
        """The error for what was skipped and never mended by what came after."""
        if not self.skipped:
            return None
        lost = self.doubt & set("XYZ") or not self.laid
        return self.skipped[0] if lost else None

    def _obey(self, line_words: Words, line: int) -> None:
        words, rest, name = line_words
        if name:
            self.count(name)
            return
        if not words:
            self._without_words(rest)
            return
        first = words[0]
        if not rest and first in _STRAIGHT and self._plain(words, line):
            return
        if first[0] == "M" and first[1] is not None:
            # Most codes of this letter carry settings or a text: only a move is read from them.
            number = first[1]
            if number in _FLOWS:
                self._amount(int(number), words[1:], rest, line)
                return
            alone = rest or not any(letter == "G" for letter, _ in words)
            if alone and number not in _EXTRUDER and (rest or number not in _END | _WITH_TOOL):
                self.count(f"M{number:g}")
                return
        elif first[0] == "T" and (rest or first[1] is None):
            self.count("T")
            return
        elif first[0] == "G" and first[1] is not None:
            code = _tenths(first[1])
            if code in _REFUSED:
                raise NotFollowedError(f"G{first[1]:g} ({_REFUSED[code]}) is not followed here")
            if code == 100 and any(letter == "L" for letter, _ in words):
                raise NotFollowedError(
                    "G10 with L (another coordinate system) is not followed here"
                )
            obeyed = code in _OBEYED or code in _HARMLESS
            if not obeyed and (rest or not _moves(words[1:])):
                self.count(f"G{first[1]:g}")
                return
        if rest:
            if rest[0] in "#[=":
                raise LineError("parameters and expressions are not computed here")
            raise LineError(f"cannot be read from {rest[:20]!r} on")
        self._act(words, line)

    def _plain(self, words: list[tuple[str, float | None]], line: int) -> bool:
        """Carry out a straight move that says nothing else: a short cut for the common line."""
        values = dict(words[1:])
        if len(values) < len(words) - 1 or not values.keys() <= _PLAIN:
            return False
        for number in values.values():
            if number is None or not -REACH <= number <= REACH:
                return False
        feed = values.get("F")
        if feed is not None:
            if feed < 0.0:
                return False
            self.feed = feed * self.scale
        self.motion = 10 if words[0][1] else 0
        if len(values) > (feed is not None):
            self._move(values, line)
        return True

    def _without_words(self, rest: str) -> None:
        if rest == "%":  # stands before and after a toolpath
            self.ended, self.percent = self.percent, True
        elif rest[0] in "#[":
            raise LineError("parameters and expressions are not computed here")
        elif rest[0] == "/" and rest[1:]:
            raise LineError("may or may not be carried out, as it begins with a slash")
        elif rest[0] == "(":
            raise LineError("its comment has no closing bracket")
        elif rest[0] not in "/":
            raise LineError(f"cannot be read from {rest[:20]!r} on")

    def _act(self, words: list[tuple[str, float | None]], line: int) -> None:
        codes, m_codes, values = self._sorted(words)
        unknown = [code for code in codes if code not in _OBEYED and code not in _HARMLESS]
        motions = [code for code in codes if code in _MOTION]
        if len(motions) > 1:
            raise LineError("asks for two kinds of motion at once")
        for code in unknown:
            self.count(f"G{code / 10:g}")
        # Order of execution: NISTIR 6556 table 8, from memory.
        if (feed := values.get("F")) is not None:
            if not 0.0 <= feed <= FASTEST:
                raise LineError(f"its feed of {feed:g} is no feed")
            self.feed = feed * self.scale
        foreign = unknown or any(m not in _WITH_TOOL | _EXTRUDER | _END for m in m_codes)
        tool = values.get("T")
        if tool is not None and not foreign:
            self._select(tool)
        for m in m_codes:
            if m in _EXTRUDER:
                self.e_mode = m == 83
                self.modes.append((line, f"M{m:g}"))
            elif m not in _END:
                self.count(f"M{m:g}")
        self._modes(codes, line)
        owner = next((code for code in codes if code in _OFFSETS or code == 280), None)
        if owner is not None:
            if motions and any(axis in values for axis in _AXES):
                raise LineError(f"G{owner / 10:g} and a move both want the axis words")
            self._home_or_shift(owner, values, line)
        elif motions or not foreign:
            if motions:
                self.motion = motions[0]
            elif 800 in codes:
                self.motion = None
            self._move(values, line)
        self.ended = self.ended or any(m in _END for m in m_codes)

    def _sorted(
        self, words: list[tuple[str, float | None]]
    ) -> tuple[list[int], list[float], dict[str, float | None]]:
        """G codes in tenths, M codes, and the other words by letter."""
        codes: list[int] = []
        m_codes: list[float] = []
        values: dict[str, float | None] = {}
        if ("G", 28.0) not in words:  # which takes bare letters
            for letter, number in words:
                if number is None:
                    raise LineError(f"has {letter} without a number")
        for letter, number in words:
            if letter == "G":
                if number is None or number < 0:
                    raise LineError("has G without a number")
                code = _tenths(number)
                if code in _REFUSED:
                    raise NotFollowedError(f"G{number:g} ({_REFUSED[code]}) is not followed here")
                codes.append(code)
            elif letter == "M":
                if number is None or number < 0:
                    raise LineError("has M without a number")
                m_codes.append(number)
            elif letter in values:
                raise LineError(f"has two words with {letter}")
            else:
                values[letter] = number
        for letter, number in values.items():
            if number is not None and abs(number) > (REACH if letter in _NEAR else FASTEST):
                raise LineError(f"{letter} = {number:g} is out of any machine's reach")
        return codes, m_codes, values

    def _select(self, tool: float) -> None:
        if not -1 <= tool <= 65535 or tool != int(tool):
            self.count(f"T{tool:g}")
        else:
            self.tool = int(tool)

    def _amount(
        self, code: int, words: list[tuple[str, float | None]], rest: str, line: int
    ) -> None:
        """M200 and M221: how much an E word is worth."""
        values = dict(words)
        known = {"S", "T", "D"} if code == 221 else {"D", "S", "T", "L"}
        odd = rest or len(values) < len(words) or not values.keys() <= known
        if odd or any(value is None or not math.isfinite(value) for value in values.values()):
            raise NotFollowedError(f"M{code} with these words is not followed here")
        tool = values.get("T", values.get("D") if code == 221 else None)
        tool = self.tool if tool is None else int(tool)
        size = values.get("S")
        if code == 221:
            if size is not None and not 0.0 < size < 1000.0:
                raise NotFollowedError(
                    f"M221 S{size:g} (a flow of {size:g} %) is not followed here"
                )
            if size is not None:
                self.flows[tool] = size / 100
                self._say(f"M221 S{size:g}: {size:g} % of what E says is laid", line, size != 100)
            return
        diameter = values.get("D")
        if diameter is None and size is None:
            return
        volumes = diameter != 0 if size is None else bool(size)
        if volumes and self.scale != 1.0:
            raise NotFollowedError("M200 (E in volumes) in inches is not followed here")
        self.volumes = self.volumes | {tool} if volumes else self.volumes - {tool}
        self._say("M200: E words are volumes in mm³", line, volumes)

    def _say(self, what: str, line: int, matters: bool) -> None:
        if matters and len(self.said) < 8:
            self.said.setdefault(what, line)

    def _modes(self, codes: list[int], line: int) -> None:
        for code in codes:
            if code in _PLANES:
                self.plane = code
            elif code in (200, 210):
                self.scale = 25.4 if code == 200 else 1.0  # the international inch
                if self.volumes and code == 200:
                    raise NotFollowedError("M200 (E in volumes) in inches is not followed here")
            elif code in (900, 910):
                self.relative = code == 910
                self.modes.append((line, f"G{code // 10}"))
        del self.modes[8:]

    def _home_or_shift(self, code: int, values: dict[str, float | None], line: int) -> None:
        if code == 280:
            # Home is taken as the machine's zero; words only name axes.
            named = [axis for axis in range(3) if _AXES[axis] in values] or [0, 1, 2]
            for axis in named:
                self.at[axis] = self.offset[axis] = 0.0
                self.doubt.discard(_AXES[axis])
            return
        machine = [self.at[axis] + self.offset[axis] for axis in range(3)]
        if code == 920:
            given = {axis: values[axis] for axis in _AXES if axis in values}
            if not given:
                given = dict.fromkeys(_AXES, 0.0)
            for axis in range(3):
                if (value := given.get(_AXES[axis])) is not None:
                    self.at[axis] = value * self.scale
                    self.offset[axis] = machine[axis] - self.at[axis]
                    if axis == 2 and self.laid < PRIMING:
                        # Before the print it says where the plate is: zero is the plate.
                        self.offset[axis] = 0.0
                    self.saved[axis] = self.offset[axis]
                    self.doubt.discard(_AXES[axis])
            if (value := given.get("E")) is not None:
                self.e = value * self.scale
                self.doubt.discard("E")
            return
        if code == 921:
            self.saved = [0.0, 0.0, 0.0]
        self.offset = list(self.saved) if code == 923 else [0.0, 0.0, 0.0]
        self.at = [machine[axis] - self.offset[axis] for axis in range(3)]

    def _move(self, values: dict[str, float | None], line: int) -> None:
        if not any(axis in values for axis in _AXES):
            if self.motion in (20, 30) and ("I" in values or "J" in values or "R" in values):
                self._arc(values, line)
            elif any(axis in values for axis in _OTHER_AXES):
                raise LineError("moves an axis other than X, Y, Z and E")
            return
        if self.motion is None:
            raise LineError("has axis words, but no motion code (G0 to G3) came before")
        if any(axis in values for axis in _OTHER_AXES):
            raise LineError("moves an axis other than X, Y, Z and E")
        if self.motion in (20, 30):
            self._arc(values, line)
            return
        target = self._target(values)
        e = self._feed(values, line)
        if self.doubt & set("XYZ") and self._unknown(values):
            self._row(target, target, e, line)
        else:
            self._row(self.at, target, e, line)
        self.at = target

    def _unknown(self, values: dict[str, float | None]) -> bool:
        """Whether it is not known where a move begins or ends; what it gives is known after it."""
        if not self.relative:
            self.doubt -= {axis for axis in "XYZ" if values.get(axis) is not None}
        return True

    def _target(self, values: dict[str, float | None]) -> list[float]:
        target = list(self.at)
        for axis in range(3):
            value = values.get(_AXES[axis])
            if value is not None:
                value *= self.scale
                target[axis] = target[axis] + value if self.relative else value
                if abs(target[axis] + self.offset[axis]) > REACH:
                    raise LineError(f"{_AXES[axis]} gets out of any machine's reach")
        return target

    def _feed(self, values: dict[str, float | None], line: int) -> float:
        """Filament fed by this line, mm."""
        value = values.get("E")
        if value is None:
            return 0.0
        self.mixed(line)
        value *= self.scale
        if self.e_relative:
            self.e += value
            return value * self.per_word
        before, self.e = self.e, value
        if "E" in self.doubt:
            self.doubt.discard("E")
            return 0.0
        return (value - before) * self.per_word

    def _row(self, start: list[float], end: list[float], e: float, line: int) -> None:
        x, y, z = self.offset
        a, b, c = start[0] + x, start[1] + y, start[2] + z
        d, f, g = end[0] + x, end[1] + y, end[2] + z
        if e != 0.0 or a != d or b != f or c != g:
            self.units.add("mm" if self.scale == 1.0 else "inch")
            self.store.row((a, b, c, d, f, g, e, line, self.tool, self.feed))
            self.laid += e > 0.0 and (a != d or b != f)

    def _arc(self, values: dict[str, float | None], line: int) -> None:
        if self.plane != 170:
            raise LineError(
                f"an arc in the {_PLANES[self.plane]} plane is not followed here: only arcs in "
                "the XY plane (G17) are"
            )
        if values.get("P") not in (None, 0.0, 1.0) or "K" in values:
            raise LineError("an arc of several turns, or with K, is not followed here")
        target = self._target(values)
        way = np.array([self.at[:2], target[:2]])
        centre = self._centre(values, way)
        made = chords(way[:1], way[1:], centre, np.array([self.motion == 20]))
        if made.misfit[0] > STRICT_RADII:
            self.misfits += 1
            self.worst_misfit = max(self.worst_misfit, float(made.misfit[0]))
            self.first_misfit = self.first_misfit or line
        e = self._feed(values, line)
        if self.doubt & set("XYZ") and self._unknown(values):
            self._row(target, target, e, line)
            self.at = target
            return
        self.arcs += 1
        self.laid += e > 0.0
        self.units.add("mm" if self.scale == 1.0 else "inch")
        rows = np.empty((1, 10))
        rows[0, :3], rows[0, 3:6] = self.at, target
        rows[0, 6:] = e, line, self.tool, self.feed
        self.store.chunk(split_arcs(rows, np.zeros(1, np.int64), made, np.array(self.offset)))
        self.at = target

    def _centre(self, values: dict[str, float | None], way: NDArray[np.float64]) -> Points:
        """Centre (1, 2) of the arc from way[0] to way[1]."""
        radius = values.get("R")
        if radius is not None:
            if "I" in values or "J" in values:
                raise LineError("gives an arc both a radius and a centre")
            size = np.array([radius * self.scale])
            return centres(way[:1], way[1:], size, np.array([self.motion == 20]))
        if "I" not in values and "J" not in values:
            raise LineError("an arc needs a centre (I, J) or a radius (R)")
        off = [(values.get(letter) or 0.0) * self.scale for letter in "IJ"]
        middle: Points = way[:1] + np.array([off])
        return middle

    def remarks(self) -> tuple[str, ...]:
        """What was read in one way and may be meant in another."""
        remarks = [f"line {line}: {what}" for what, line in self.said.items()]
        if self.skipped:
            remarks.append(
                f"line {self.skipped[0].line}: {self.skipped[0].problem}; it was skipped, as it "
                "comes before the first layer"
                + (f", and {len(self.skipped) - 1} more were" if len(self.skipped) > 1 else "")
            )
        if self.first_mixed:
            remarks.append(
                f"line {self.first_mixed}: E is absolute (M82) while the other axes are relative "
                "(G91); it was read as absolute here and after, as M82 says"
            )
        if self.misfits:
            remarks.append(
                f"line {self.first_misfit}: the radii at both ends of an arc differ; in "
                f"{self.misfits} arcs by more than {STRICT_RADII} mm, at most by "
                f"{self.worst_misfit:.3f} mm"
            )
        if self.unended is not None:
            remarks.append(
                f"line {self.unended}: the last line has no line end; the file may be cut short"
            )
        return tuple(remarks)

    @property
    def sagitta(self) -> float:
        """Largest distance between an arc and its chords, mm."""
        return SAGITTA if self.arcs else 0.0


def _tenths(number: float) -> int:
    if not math.isfinite(number) or abs(round(number * 10) - number * 10) > 1e-6:
        raise LineError(f"G{number:g} is no code")
    return round(number * 10)


def _moves(words: list[tuple[str, float | None]]) -> bool:
    return any(
        letter == "G" and number is not None and number * 10 in _MOTION for letter, number in words
    )
