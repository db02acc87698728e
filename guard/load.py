"""Loads the settings of a configuration file."""

import os

from guard import kept
from guard.errors import ConfigMissing, ConfigUnreadable
from guard.settings import Settings


def load(path: str) -> Settings:
    """The settings of a configuration file, from the kept copy where it fits, else read and checked.

    Raises ConfigMissing where there is no such file, ConfigUnreadable where it cannot be read and ConfigFaults
    where it is wrong.
    """
    path = os.path.abspath(path)
    try:
        with open(path, "rb") as file:
            text = file.read(kept.LARGEST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise ConfigMissing(path) from error
    except OSError as error:
        raise ConfigUnreadable(path, error.strerror or str(error)) from error
    found = kept.find(path, text)
    if found is not None:
        return found
    from guard.config import parse

    settings, sources = parse(path, text)
    kept.keep(settings, sources)
    return settings
