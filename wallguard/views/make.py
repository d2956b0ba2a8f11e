"""Work out what can be shown of one part against one rule file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from wallguard.findings.groups import groups
from wallguard.findings.model import Finding
from wallguard.findings.outcomes import worst_first
from wallguard.views.model import Views, What

if TYPE_CHECKING:
    from wallguard.checks.case import Case

# More pictures of one part nobody looks at; the worst findings get theirs.
MOST = 200


def make(case: Case, findings: Sequence[Finding], what: What) -> Views:
    """Views of the first MOST findings, and for a `page` the part's shape too."""
    from wallguard.views.places import views_of

    # Of alike findings the one that is told, so that each group has a picture.
    firsts = [group.first for group in groups(sorted(findings, key=worst_first))]
    shown = {id(finding) for finding in firsts}
    others = [finding for finding in findings if id(finding) not in shown]
    pictures, left_out = views_of(case, firsts + others, MOST)
    shape = None
    if what == "page":
        from wallguard.views.shape import shape_of

        shape = shape_of(case)
    return Views(pictures, left_out, shape)
