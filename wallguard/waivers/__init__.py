"""Waivers: findings that somebody accepted, for a reason and until a day."""
