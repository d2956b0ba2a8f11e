"""What a machine is told to do: a toolpath's moves, and the beads that they lay."""
