"""YAML read with places, and everything that is refused."""

import os
import pickle
from pathlib import Path

import pytest

from wallguard.base.errors import InputError
from wallguard.documents.reading import (
    MAX_BYTES,
    DocumentError,
    Mapping,
    Place,
    parse_document,
    read_document,
)


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_document(text, "a.yaml")
    return str(caught.value)


def test_values_keep_their_places() -> None:
    document = parse_document("wallguard: 1\nbeads:\n  width: 0.45\n  list: [1, two]\n", "a.yaml")
    width = document.at("beads", "width")
    assert width is not None
    assert width.place == Place("a.yaml", 3, 3)
    assert width.value.place == Place("a.yaml", 3, 10)
    assert document.plain() == {"wallguard": 1, "beads": {"width": 0.45, "list": [1, "two"]}}
    assert document.at("beads", "nothing") is None
    assert document.at("wallguard", "inside") is None


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("1", 1),
        ("-0.5", -0.5),
        ("1e-3", 0.001),
        ("true", True),
        ("~", None),
        ("", None),
        ("no", "no"),
        ("1:200", "1:200"),
        ("+z", "+z"),
        ("-z", "-z"),
        ("2024-01-01", "2024-01-01"),
        ("1_000", "1_000"),
        ('"1"', "1"),
        ("'true'", "true"),
        (".inf", float("inf")),
        ("0123", 123),
        ("9" * 5000, float("inf")),
    ],
)
def test_scalars_are_those_of_yaml_1_2(written: str, value: object) -> None:
    # YAML 1.2.2, section 10.3.2 (core schema): `no` and 1:200 are text, unlike in YAML 1.1.
    read = parse_document(f"key: {written}", "a.yaml").plain()["key"]
    assert read == value
    assert type(read) is type(value)


def test_every_duplicate_key_is_named() -> None:
    message = refused("a: 1\nb: {c: 1, c: 2}\na: 3\n")
    assert "a.yaml:2:11: the key `c` stands here a second time, first in line 2." in message
    assert "a.yaml:3:1: the key `a` stands here a second time, first in line 1." in message


def test_tags_are_refused() -> None:
    assert "a.yaml:1:4: the tag" in refused('a: !!python/object/apply:os.system ["true"]')
    assert "a.yaml:1:10: the tag `!part`" in refused("exclude: !part")


def test_aliases_work_within_the_limits() -> None:
    document = parse_document("a: &limit {fail: 1}\nb: *limit\n", "a.yaml")
    assert document.plain() == {"a": {"fail": 1}, "b": {"fail": 1}}


def test_an_alias_bomb_is_refused_at_once() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    for level in range(1, 12):
        lines.append(f"a{level}: &a{level} [{', '.join([f'*a{level - 1}'] * 10)}]")
    assert "more than 10000 values, aliases counted" in refused("\n".join(lines))


def test_a_deep_alias_chain_is_refused() -> None:
    lines = ["a0: &a0 [x]"] + [f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 200)]
    assert "nested more than 16 levels deep" in refused("\n".join(lines))


def test_an_alias_cannot_contain_itself() -> None:
    assert "a.yaml:1:8: `*a` refers to nothing above." in refused("a: &a [*a]")


@pytest.mark.parametrize("text", ["a: " + "[" * 100_000, "a: " + "{b: " * 50_000, "? " * 50_000])
def test_deep_nesting_is_refused_at_once(text: str) -> None:
    assert "levels deep" in refused(text) or "not plain text" in refused(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a: 1\n\tb: 2\n", "a.yaml:2:1: a tab where YAML wants spaces. Indent with spaces."),
        ("files: *.stl\n", "a.yaml:1:9: text that begins with * or & without quotes."),
        ("files: **/*.stl\n", "a.yaml:1:9: text that begins with * or & without quotes."),
        ("a: b: c\n", "a.yaml:1:5: a `:` where no key can stand."),
        ("a: 1\n  b: 2\n", "a.yaml:2:4: a `:` where no key can stand."),
        ("a: 1\nsome words\n", "a.yaml:2:1: a line without `:` after its key."),
        ("a: [1, 2\nb: 3\n", "a.yaml:2:2: this does not go on with what stands before it."),
        ("a: 1\n---\nb: 2\n", "a.yaml:2:1: a second document begins here."),
        ("- 1\n- 2\n", "a.yaml:1:1: expected keys with values, but found a list of 2."),
        ("only words\n", 'a.yaml:1:1: expected keys with values, but found "only words".'),
        ("# nothing\n", "a.yaml: the file is empty."),
        ("---\n", "a.yaml: the file is empty."),
        ("[a, b]: 1\n", "a.yaml:1:1: a key that is not plain text."),
        ("&x a: 1\n", "a.yaml:1:1: a key with an anchor or a tag."),
        ('a: "\\ud800"\n', "a.yaml:1:4: an escape for half a character."),
        ('a: "\\UFFFFFFFF"\n', "what follows here cannot be read as YAML."),
        ("%YAML 9.9\n---\na: 1\n", "cannot be read as YAML"),
    ],
)
def test_bad_yaml_is_named_in_plain_words(text: str, expected: str) -> None:
    message = refused(text)
    assert expected in message
    assert message.startswith("a.yaml:")


def test_errors_survive_a_process_boundary_with_their_problems() -> None:
    with pytest.raises(DocumentError) as caught:
        parse_document("a: 1\na: 2\na: 3\n", "a.yaml")
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert again.problems == caught.value.problems
    assert (again.path, again.line, again.column) == ("a.yaml", 2, 1)


def test_a_flood_of_problems_is_cut_and_counted() -> None:
    message = refused("\n".join(["a: 1"] * 100))
    assert len(message.splitlines()) == 41
    assert message.endswith("a.yaml: and 59 more problems.")


def write(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "a.yaml"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        (b"a: 1\nb: \xe9t\xe9\n", ":2:4: a byte that is not UTF-8 text. Save the file as UTF-8."),
        ("a: 1".encode("utf-16"), "the text is UTF-16. Save the file as UTF-8."),
        (b"a: 1\nb\x00: 1", ":2:2: a control character (code 0): this is no text file."),
        (b"\x7fELF\x02\x01\x01\x00", ":1:1: a control character (code 127)"),
        (b"a: " + b"x" * MAX_BYTES, "larger than 256 kB"),
    ],
)
def test_files_that_are_no_text_are_refused(tmp_path: Path, data: bytes, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        read_document(write(tmp_path, data), "shown.yaml")
    assert str(caught.value).startswith("shown.yaml")
    assert expected in str(caught.value)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    document = read_document(write(tmp_path, b"\xef\xbb\xbfa: 1\r\nb: \xc3\xa9\r\n"))
    assert document.plain() == {"a": 1, "b": "é"}
    assert document.entries["b"].place.line == 2


def test_a_large_plain_file_takes_bounded_time(tmp_path: Path) -> None:
    row = b"- {from: 0, to: 1, fill: solid}\n"
    path = write(tmp_path, b"bands:\n" + row * 7000)
    with pytest.raises(InputError, match="more than 10000 values"):
        read_document(path)


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    for path, expected in [
        (tmp_path, "this is a folder"),
        (tmp_path / "absent.yaml", "there is no such file"),
        (tmp_path / ("x" * 300), "cannot be read: File name too long"),
        (tmp_path / "nul\0.yaml", "cannot be read"),
        (Path("/dev/null"), "this is not a regular file"),
    ]:
        with pytest.raises(InputError, match=expected):
            read_document(path)


def test_a_named_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(InputError, match="not a regular file"):
        read_document(tmp_path / "pipe.yaml")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission_is_said(tmp_path: Path) -> None:
    path = write(tmp_path, b"a: 1")
    path.chmod(0)
    with pytest.raises(InputError, match="no permission to read this file"):
        read_document(path)


def test_no_permission_is_said_even_to_root(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deny(path: str, flags: int) -> None:
        raise PermissionError(13, "Permission denied")

    path = write(tmp_path, b"a: 1")
    monkeypatch.setattr(os, "open", deny)
    with pytest.raises(InputError, match="no permission to read this file"):
        read_document(path)


def test_the_document_is_a_mapping(tmp_path: Path) -> None:
    assert isinstance(read_document(write(tmp_path, b"a: 1")), Mapping)
