"""Keeps facts on disk: the catalogue, which a look can rebuild, and the ledger, which nothing can."""
