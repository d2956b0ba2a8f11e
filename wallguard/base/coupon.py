"""What the folder of a coupon is known by."""

from __future__ import annotations

MANIFEST = "manifest.json"
SCHEMA = "wallguard-coupon/1"
