"""Files that people write: read with the place of every key, and checked against a format."""
