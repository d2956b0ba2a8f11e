"""What callipers may be off by."""

from __future__ import annotations

# Largest error that callipers may have (mm), by the step of their display or vernier: ISO 13385-1
# and the national standards before it, for lengths up to 100 mm, from memory.
CALLIPER_ERRORS = {0.01: 0.02, 0.02: 0.02, 0.05: 0.05, 0.1: 0.05}
# Where nothing is known of the instrument: the coarsest of them.
UNKNOWN_INSTRUMENT = max(CALLIPER_ERRORS.values())
