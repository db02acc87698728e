"""Faults that the monitor has to survive, each brought about for real around a real process."""
