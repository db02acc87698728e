"""Reads backup shares: finds sets, fingerprints them, checks them against recipes."""
