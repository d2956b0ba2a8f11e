"""What is asked of one part alone is held to limits too: walls, scale, toolpath and coupon fit."""

import json
import os
import pickle
import time
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import laid_coupons
import pytest
from design_repository import CONFIG, RULES, design_repository, stl
from hostile import HOSTILE
from laid_coupons import Beads
from test_commands_toolpath import folder as toolpaths

from wallguard.commands.main import main
from wallguard.jobs import limits
from wallguard.jobs.limits import Most
from wallguard.jobs.watched import TooMuchError, Watch, watched

__all__ = ["toolpaths"]  # a fixture that this file shares
pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="held to it by Linux")
TIME, MEMORY = ["--part-timeout", "0.2"], ["--part-memory", "1"]
SAID = {
    "--part-timeout": "not done, because it took more than 0.2 s of the processor's time",
    "--part-memory": "not done, because it takes more than 1 MB of memory",
}


def told(capsys) -> str:
    both = capsys.readouterr()
    assert "Traceback" not in both.err
    return " ".join((both.out + both.err).split())


@pytest.mark.parametrize("limit", [TIME, MEMORY], ids=["time", "memory"])
@pytest.mark.parametrize("command", ["walls", "scale"])
def test_a_part_made_to_stall_ends_with_2_and_names_the_limit(toolpaths, capsys, command, limit):
    HOSTILE["tetrahedra_strewn"][1](toolpaths / "part.stl")
    assert main([command, "part.stl", "--rules", "rules.yaml", *limit]) == 2
    assert f"part.stl: {SAID[limit[0]]}" in told(capsys)


def test_a_toolpath_is_an_error_of_its_own_and_the_others_are_judged(toolpaths, capsys):
    """Long enough not to be begun in this process."""
    long = (toolpaths / "hollow.gcode").read_text() + ";\n" * 200_000
    (toolpaths / "long.gcode").write_text(long)
    words = ["toolpath", "long.gcode", "hollow.gcode", "--part", "bar.stl", *MEMORY]
    assert main([*words, "--json", "walls.json"]) == 2
    assert SAID["--part-memory"] in told(capsys)
    parts = json.loads((toolpaths / "walls.json").read_text())["parts"]
    assert sorted((part["rules"], part["status"]) for part in parts) == [
        ("hollow.gcode", "failed"),
        ("long.gcode", "error"),
    ]
    assert main(["toolpath", "long.gcode", "--part", "bar.stl", "--against", "hollow.gcode"]) == 0
    both = ["toolpath", "long.gcode", "--part", "bar.stl", "--against", "hollow.gcode", *MEMORY]
    assert main(both) == 2
    assert SAID["--part-memory"] in told(capsys)


def test_a_long_toolpath_says_what_a_short_one_does(toolpaths, capsys):
    """In a process of its own, pictures and all."""
    shown = []
    for more in ("", ";\n" * 200_000):
        text = (toolpaths / "hollow.gcode").read_text()
        (toolpaths / "hollow.gcode").write_text(text + more)
        words = ["toolpath", "hollow.gcode", "--part", "bar.stl", "--rules", "rules.yaml"]
        code = main([*words, "--pictures", "pictures"])
        pictures = {file.name: file.read_bytes() for file in (toolpaths / "pictures").iterdir()}
        shown.append((code, capsys.readouterr().out, pictures))
    assert shown[0] == shown[1]
    assert shown[0][0] == 1


def test_a_toolpath_of_a_coupon(tmp_path, monkeypatch, capsys):
    made = laid_coupons.coupon(tmp_path, [0.5, 0.9], {"wall"})
    beads = Beads(width=0.45, contours=2, smallest_wall=0.3, squeeze=0.1, smallest_fill=0.3)
    path = tmp_path / "coupon.gcode"
    laid_coupons.lay(made, beads, path)
    path.write_text(path.read_text() + ";\n" * 200_000)
    rules = str(made.rules)
    words = ["coupon", "fit", "--toolpath", str(path), "--coupon", str(made.folder)]
    assert main([*words, "--rules", rules, "-o", str(tmp_path / "new.yaml"), *MEMORY]) == 2
    assert f"coupon.gcode: {SAID['--part-memory']}" in told(capsys)
    assert not (tmp_path / "new.yaml").exists()
    update = ["rehearse", rules, "--toolpath", str(path), "--coupon", str(made.folder)]
    assert main([*update, *MEMORY]) == 2
    assert SAID["--part-memory"] in told(capsys)


def sleep_or_say(what: str) -> str:
    if what == "raise":
        raise ValueError("as it is")
    return f"{what} {os.getpid()}"


def test_what_is_done_in_another_process_comes_back_or_raises_as_it_would_here():
    def ask(what, plain):
        return watched(partial(sleep_or_say, what), Watch("a", Most(60.0, 10**9), lambda: plain))

    assert ask("a", True) == f"a {os.getpid()}"
    word, process = ask("a", False).split()
    assert word == "a"
    assert int(process) != os.getpid()
    for plain in (True, False):
        with pytest.raises(ValueError, match="as it is"):
            ask("raise", plain)
    error = pickle.loads(pickle.dumps(TooMuchError("a.stl", "it took long")))
    assert type(error) is TooMuchError
    assert str(error) == str(TooMuchError("a.stl", "it took long"))


def test_nothing_allowed_means_nothing_is_limited():
    begun = time.process_time()
    assert watched(partial(sleep_or_say, "a"), Watch("a", None, lambda: False)).startswith("a ")
    assert time.process_time() - begun < 5


def test_a_finding_is_waived_though_another_part_is_made_to_stall(tmp_path, monkeypatch, capsys):
    work = design_repository(tmp_path, monkeypatch)
    work.write("wallguard.yaml", CONFIG)
    work.write("rules/petg.yaml", RULES)
    stl(work.root / "z.stl", 1.5)
    monkeypatch.chdir(work.root)
    main(["check", "z.stl", "--json", "w.json"])
    (part,) = json.loads((work.root / "w.json").read_text())["parts"]
    HOSTILE["tetrahedra_strewn"][1](work.root / "a.stl")
    monkeypatch.setattr(limits, "MEMORY", 1)
    monkeypatch.setattr(limits, "MEMORY_PER_MB", 0)
    until = (date.today() + timedelta(days=9)).isoformat()
    words = ["waive", part["findings"][0]["id"], "--why", "why not", "--until", until]
    begun = time.process_time()
    assert main([*words, "--who", "me"]) == 0, told(capsys)
    assert "z.stl" in (work.root / "waivers.yaml").read_text()
    assert time.process_time() - begun < 8  # the other one takes 30 s, and not in this process
