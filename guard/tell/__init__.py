"""Tells people: the nightly report, hold sheets, and notifications."""
