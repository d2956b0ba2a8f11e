"""wallguard checks the walls of 3D-printed parts before they are printed.

From Python, `check`, `check_repository`, `compare`, `rehearse`, `rehearse_changed`, `verify`,
`scale`, `fit`, `find_walls`, `measure`, `load_part`, `part_from` and `load_rules` do what the
command line does: see `wallguard.api`. They give the results that the commands report. All are
imported on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = [
    "Asked",
    "InputError",
    "__version__",
    "check",
    "check_repository",
    "compare",
    "find_walls",
    "fit",
    "load_part",
    "load_rules",
    "measure",
    "part_from",
    "rehearse",
    "rehearse_changed",
    "scale",
    "verify",
]

if TYPE_CHECKING:
    from wallguard.api import (
        check,
        check_repository,
        compare,
        find_walls,
        fit,
        load_part,
        load_rules,
        measure,
        part_from,
        rehearse,
        rehearse_changed,
        scale,
        verify,
    )
    from wallguard.base.errors import InputError
    from wallguard.jobs.choose import Asked


def __getattr__(name: str) -> Any:
    if name in __all__:
        from wallguard import api

        return getattr(api, name)
    raise AttributeError(f"module 'wallguard' has no attribute {name!r}")
