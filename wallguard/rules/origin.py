"""Where the numbers of a rule file are from, and how old they are, in words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from wallguard.base.plain import counted
from wallguard.rules.model import Rules


def origin(rules: Rules) -> str:
    """Who measured it when, and what with: "measured on 2027-03-01 by Ada, made with ..."; empty
    where nothing is said."""
    return ", ".join(_said(rules))


def _said(rules: Rules) -> Iterator[str]:
    when = f" on {rules.measured_on}" if rules.measured_on else ""
    who = f" by {rules.measured_by}" if rules.measured_by else ""
    if when or who:
        yield f"measured{when}{who}"
    made = rules.made_with
    if made.software:
        yield f"made with {made.software}"
    if made.settings:
        yield f"settings in {made.settings}"
    if made.firmware:
        yield f"firmware {made.firmware}"


def age(rules: Rules, today: date) -> str:
    """How old it is: "measured 12 days ago"; empty where no day is said, or one to come."""
    if rules.measured_on is None or rules.measured_on > today:
        return ""
    days = (today - rules.measured_on).days
    return f"measured {counted(days, 'day')} ago" if days else "measured today"


def stale(rules: Rules, today: date) -> str:
    """What to say of numbers that are older than their file allows; empty where they are not."""
    if rules.measured_on is not None and rules.measured_on > today:
        return f"`measured_on` is {rules.measured_on}, a day to come: correct it"
    if rules.stale_after is None:
        return ""
    if rules.measured_on is None:
        return (
            "`stale_after` is given and `measured_on` is not, so nobody knows how old these "
            "numbers are: add the day of the readings"
        )
    days = (today - rules.measured_on).days
    if days <= rules.stale_after:
        return ""
    return (
        f"measured on {rules.measured_on}, {counted(days, 'day')} ago, and `stale_after` is "
        f"{counted(rules.stale_after, 'day')}: print the coupon again, and see `wallguard coupon "
        "drift`"
    )
