"""Charge, hold-up and chance: closed formulas with their sources, units in the names. Pure."""
