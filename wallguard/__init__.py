"""wallguard checks the walls of 3D-printed parts before they are printed.

From Python, `load_part`, `load_rules`, `check` and `find_walls` do what the command line does; they
give the dataclasses of `wallguard.findings`. All are imported on first use, so that importing the
package costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["InputError", "__version__", "check", "find_walls", "load_part", "load_rules"]

if TYPE_CHECKING:
    from wallguard.api import check, find_walls, load_part, load_rules
    from wallguard.base.errors import InputError


def __getattr__(name: str) -> Any:
    if name == "InputError":
        from wallguard.base.errors import InputError

        return InputError
    if name in __all__:
        from wallguard import api

        return getattr(api, name)
    raise AttributeError(f"module 'wallguard' has no attribute {name!r}")
