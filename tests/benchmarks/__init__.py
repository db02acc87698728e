"""Benchmarks: ratios to public tools, printed and never asserted."""
