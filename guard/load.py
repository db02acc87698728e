"""Loads the settings of a configuration file."""

import os

from guard import kept
from guard.errors import ConfigMissing
from guard.settings import Settings


def load(path: str) -> Settings:
    """The settings of a configuration file, from the kept copy where it fits, else read and checked.

    Raises ConfigMissing where there is no such file and ConfigFaults where it is wrong.
    """
    path = os.path.abspath(path)
    try:
        with open(path, "rb") as file:
            text = file.read(kept.LARGEST_BYTES + 1)
    except OSError as error:
        raise ConfigMissing(path) from error
    found = kept.find(path, text)
    if found is not None:
        return found
    from guard.config import parse

    settings, sources = parse(path, text)
    kept.keep(settings, sources)
    return settings
