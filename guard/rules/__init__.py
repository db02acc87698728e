"""Turns facts into findings and a verdict; pure, without clock, disk or network."""
