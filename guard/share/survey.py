"""Looks at an unknown share and proposes a configuration for it."""

from __future__ import annotations

from typing import NamedTuple


class Survey(NamedTuple):
    """What a survey found."""

    share: str


def survey(share: str) -> Survey:
    """Look at an unknown share."""
    return Survey(share)


def proposal(found: Survey, share_path: str) -> str:
    """A valid configuration for the share, with doubts as comments."""
    return f"# {found.share} {share_path}\n"
