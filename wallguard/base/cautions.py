"""What no result of ours says. Every output of a command that judges carries one of these."""

PARTS = "A pass speaks of a part's geometry only. It never says that a part is safe to use."
TOOLPATHS = (
    "This compares what a toolpath lays with a part's geometry. It says nothing about whether this "
    "file is safe to run, and never that a part is safe to use."
)
