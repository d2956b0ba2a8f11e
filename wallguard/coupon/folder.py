"""Write a coupon's folder: whole, and over nothing but an earlier coupon nobody has touched.

The manifest lists every file that was written beside it with its SHA-256, and carries a digest of
itself. A file that is there may be replaced only if a manifest in the folder whose digest is right
lists it and the file still has the digest listed. So readings that were filled in, edited sheets
and files of others are never overwritten; files that are in no one's way are left alone.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from wallguard.base import files
from wallguard.base.coupon import MANIFEST, SCHEMA
from wallguard.base.errors import InputError
from wallguard.coupon.files import json_bytes

_ELSEWHERE = "Name another folder, or move that file away"
# Of a manifest and of files that it lists, bytes.
_LARGEST = 256 * 1024 * 1024


def write_folder(out: Path, manifest: Mapping[str, Any], files: Mapping[str, bytes]) -> list[Path]:
    """Write `files` and a manifest that lists them into the folder `out`, making it if need be.

    All is first written beside its place, then moved there, the manifest last. Returns what was
    written. Raises InputError: something there is not ours to replace, or writing fails; nothing
    is then changed.
    """
    listed = {
        **manifest,
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in files.items()},
    }
    contents = {**files, MANIFEST: json_bytes({**listed, "digest": _digest(listed)})}
    made = False
    try:
        try:
            out.mkdir()
            made = True
        except FileExistsError:
            if not out.is_dir():
                problem = "this is a file"
                raise InputError(out, problem, remedy="Name a folder for the coupon") from None
        own = _own(out)
        for name in contents:
            if name not in own and _there(out / name):
                raise InputError(
                    out / name,
                    "exists, and is not as the command wrote it",
                    remedy=_ELSEWHERE,
                )
        _put(out, contents, sorted(own - set(contents)))
    except BaseException as error:
        if made:
            with suppress(OSError):
                out.rmdir()
        if isinstance(error, OSError):
            raise InputError(
                out,
                f"cannot be written to: {error.strerror or error}",
                remedy="Check the folder it stands in, and permissions",
            ) from None
        raise
    return [out / name for name in contents]


def _put(out: Path, contents: Mapping[str, bytes], stale: list[str]) -> None:
    workshop = Path(tempfile.mkdtemp(prefix=".coupon-", dir=out))
    try:
        for name, content in contents.items():
            (workshop / name).write_bytes(content)
        for name in contents:
            (workshop / name).replace(out / name)
        for name in stale:
            (out / name).unlink(missing_ok=True)
    finally:
        shutil.rmtree(workshop, ignore_errors=True)


def _own(out: Path) -> set[str]:
    """Names of the files in `out` that are as an earlier run wrote them."""
    try:
        value = json.loads(_read(out / MANIFEST))
        if not isinstance(value, dict) or value.get("schema") != SCHEMA:
            return set()
        digest = value.pop("digest", None)
        files = value.get("files")
        # Half characters are JSON, but no text.
        if digest != _digest(value) or not isinstance(files, dict):
            return set()
    except (InputError, ValueError, RecursionError):
        return set()
    own = {MANIFEST}
    for name, expected in files.items():
        if Path(name).name != name or name in (".", ".."):
            continue
        with suppress(InputError, ValueError):
            if hashlib.sha256(_read(out / name)).hexdigest() == expected:
                own.add(name)
    return own


def _read(path: Path) -> bytes:
    """Raises InputError for what no earlier run can have written, a link for example."""
    if path.is_symlink():
        raise InputError(path, "a link, and no file of ours")
    return files.read(path, _LARGEST)


def _there(path: Path) -> bool:
    return path.is_symlink() or path.exists()


def _digest(value: Mapping[str, Any]) -> str:
    return hashlib.sha256(json_bytes(value)).hexdigest()
