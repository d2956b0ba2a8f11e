"""Reports are written whole or not at all."""

import os
import stat
import threading
from pathlib import Path

import pytest
from report_samples import many, part

from wallguard.base.errors import InputError
from wallguard.base.write import write
from wallguard.findings.model import Report
from wallguard.reports.formats import FORMATS, Setting


def test_text_is_written_as_utf_8_with_its_own_line_breaks(tmp_path: Path) -> None:
    write(tmp_path / "walls.md", "≥ 1.73 mm\n")
    assert (tmp_path / "walls.md").read_bytes() == "≥ 1.73 mm\n".encode()
    assert [one.name for one in tmp_path.iterdir()] == ["walls.md"]


def test_a_lone_surrogate_does_not_stop_it(tmp_path: Path) -> None:
    write(tmp_path / "a", "\udce9")
    assert (tmp_path / "a").read_text() == "\\udce9"


def test_pieces_are_written_as_they_are_made(tmp_path: Path) -> None:
    path = tmp_path / "walls.json"

    def pieces():
        for number in range(3):
            assert not path.exists()  # it comes to be there whole
            yield f"{number}\n"

    write(path, pieces())
    assert path.read_text() == "0\n1\n2\n"


def test_pieces_that_cannot_be_made_leave_the_file_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "walls.json"
    path.write_text("old")

    def pieces():
        yield "new"
        raise ValueError("no number")

    with pytest.raises(ValueError, match="no number"):
        write(path, pieces())
    assert [(one.name, one.read_text()) for one in tmp_path.iterdir()] == [("walls.json", "old")]


@pytest.mark.parametrize("name", ["json", "sarif", "code-quality"])
def test_a_report_with_thousands_of_findings_is_never_in_memory_as_one(name: str) -> None:
    (form,) = (each for each in FORMATS if each.option == name)
    parts = tuple(part(f"part-{i}.stl", findings=many(3).parts[0].findings) for i in range(400))
    pieces = form.show("check", Report(parts), Setting(Path()))
    assert not isinstance(pieces, str)
    sizes = [len(piece) for piece in pieces]
    assert sum(sizes) > 200_000
    assert sorted(sizes)[-2] < 10_000  # SARIF says first what all checks mean


def test_a_name_that_no_file_can_have_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write(tmp_path / "wall\0s.json", "x")


def test_a_new_file_has_the_permissions_that_any_new_file_has(tmp_path: Path) -> None:
    (tmp_path / "other").touch()
    write(tmp_path / "new", "x")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "other").stat().st_mode


def test_a_file_that_is_there_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "report.xml"
    path.write_text("old")
    path.chmod(0o640)
    write(path, "new")
    assert path.read_text() == "new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.parametrize("wrong", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_what_goes_wrong_leaves_the_old_file_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: BaseException
) -> None:
    path = tmp_path / "report.xml"
    path.write_text("old")

    def fail(_: int) -> None:
        assert len(list(tmp_path.iterdir())) == 2
        raise wrong

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises((KeyboardInterrupt, InputError)) as caught:
        write(path, "new" * 100_000)
    if caught.type is InputError:
        assert "report.xml: cannot be written: No space left on device. Name" in str(caught.value)
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["report.xml"]


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"its folder does not exist\. Make the folder"):
        write(tmp_path / "none" / "walls.md", "x")


def test_a_folder_in_its_place(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="this is a folder"):
        write(tmp_path, "x")


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="cannot be written: Not a directory"):
        write(tmp_path / "file" / "walls.md", "x")


def test_a_name_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write(tmp_path / "a\0b", "x")


def test_a_read_only_file_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "report.xml"
    path.write_text("old")
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(InputError, match="cannot be written: Permission denied"):
        write(path, "new")
    assert path.read_text() == "old"


def test_a_symbolic_link_is_replaced_and_not_followed(tmp_path: Path) -> None:
    (tmp_path / "precious").write_text("keep")
    (tmp_path / "walls.md").symlink_to(tmp_path / "precious")
    write(tmp_path / "walls.md", "report")
    assert (tmp_path / "precious").read_text() == "keep"
    assert not (tmp_path / "walls.md").is_symlink()
    assert (tmp_path / "walls.md").read_text() == "report"


def test_a_pipe_is_written_to(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()))
    reader.start()
    write(pipe, "report")
    reader.join(timeout=10)
    assert got == ["report"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_the_null_device_stays_what_it_is() -> None:
    write(Path("/dev/null"), "report")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_device_is_an_error_of_input() -> None:
    with pytest.raises(InputError, match=r"^/dev/full: cannot be written: No space left"):
        write(Path("/dev/full"), "report")
