"""What a machine is told to do: a program's moves, and the beads that they lay."""
