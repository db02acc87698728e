"""Fixtures that all tests share."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plant import Plant


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    """A plant with two arms and an empty share."""
    return Plant(tmp_path / "plant")
