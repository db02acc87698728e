"""Knows, before the disconnect is pulled, whether a robot arm's memory is safely backed up."""

__version__ = "0.1.0"
