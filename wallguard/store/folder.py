"""Where what was worked out before is kept, if nobody says where."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

_NAME = "wallguard"


def usual_folder() -> Path | None:
    """The folder for it among the user's own: as XDG_CACHE_HOME says (XDG Base Directory
    Specification 0.8, which wants an absolute path), else where the system keeps such things;
    None where the user has no folder.
    """
    said = os.environ.get("XDG_CACHE_HOME", "")
    if said and Path(said).is_absolute():
        return Path(said) / _NAME
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", "")
        return Path(local) / _NAME if local else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if not home.is_absolute() or home == Path(home.anchor):
        return None
    return home / ("Library/Caches" if sys.platform == "darwin" else ".cache") / _NAME


def is_open_to_all(folder: Path) -> bool:
    """Whether anybody on the machine may write to a folder, so that anybody may have."""
    try:
        return os.name == "posix" and bool(folder.stat().st_mode & stat.S_IWOTH)
    except OSError:
        return False
