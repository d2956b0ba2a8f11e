"""What else of a part can be printed badly, in plain millimetres; it knows no rules.

Undersides, footprints, pieces that begin in mid-air: one module each.
"""
