"""A locale whose encoding is not UTF-8 changes nothing about the names of files."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.plant import Plant, content


@pytest.fixture
def latin(tmp_path: Path) -> dict[str, str]:
    """The environment of a process in a locale of ISO 8859-1."""
    if shutil.which("localedef") is None or not os.path.isdir("/usr/share/i18n/locales"):
        pytest.skip("no locale can be made here")
    name = "en_US.ISO-8859-1"
    subprocess.run(("localedef", "-i", "en_US", "-f", "ISO-8859-1", tmp_path / name), check=True, capture_output=True)
    return {"LOCPATH": str(tmp_path), "LC_ALL": name}


def test_a_set_has_one_fingerprint_and_one_spelling(plant: Plant, latin: dict[str, str]) -> None:
    plant.init()
    path = plant.save("arm-07", files=content("arm-07") | {"programs/Übergabe €.txt": b"move to rest\n"})
    assert plant.run("look", env=latin).code == 0
    plant.prove()
    (seen,) = plant.sets()
    shown = plant.run("set", "show", path, "--sums", "sha256", env=latin)
    listed = "find . -type f -printf '%P\\0' | LC_ALL=C sort -z | xargs -0 sha256sum"
    assert shown.raw == plant.program("bash", "-c", listed, cwd=plant.share / path).raw
    assert plant.ask().code == 0
    asked = plant.run("ask", "--arm", "arm-07", "--action", "power-down", "--json", env=latin)
    assert (asked.code, asked.answer["set"]["fingerprint"]) == (0, seen["fingerprint"])
