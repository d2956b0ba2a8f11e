"""What reports may show of a part: drawings of places and a shape to look at, worked out once."""
