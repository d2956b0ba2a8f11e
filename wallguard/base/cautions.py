"""What no result of ours says. Every output of a command that judges carries one of these."""

PARTS = "A pass speaks of geometry only. It never says that a part is safe to use."
TOOLPATHS = "Geometry only: this says nothing about whether this file is safe to run."
REHEARSALS = (
    "It rests on toolpaths, not on a print: how material flows, sags and shrinks is not in it. "
    f"{PARTS}"
)
