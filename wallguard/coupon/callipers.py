"""What callipers may be off by."""

from __future__ import annotations

# Largest error that callipers may have (mm), by the step of their display or vernier: the limits
# of error of DIN 862 for lengths up to 100 mm, from memory. ISO 13385-1 gives no limits but leaves
# them to the maker (from memory), who is asked first: these hold where the readings state none.
CALLIPER_ERRORS = {0.01: 0.02, 0.02: 0.02, 0.05: 0.05, 0.1: 0.05}
# Where nothing is known of the instrument: the coarsest of them.
UNKNOWN_INSTRUMENT = max(CALLIPER_ERRORS.values())
