"""The real command line, kept warm: one process that has it loaded and forks for every call.

Each call runs `guard.cli.main.run`, the entry of the console command, in a process of its own. Calls come as JSON
lines on standard input, `{"words": [...], "config": "..."}`; what they gave goes out as one line each.
This file alone in this folder loads the tool, and only to call it.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import sys
import tempfile

import guard
from guard.cli.main import run


def load_all() -> None:
    """Load every module once, so that no call pays for it; a smaller process is the quicker to fork."""
    sys.modules.update(dict.fromkeys(("numpy", "pandas")))  # which sqlite_utils would load where it finds them
    importlib.import_module("sqlite_utils")  # the tool loads it late, for a state folder that is new
    for module in pkgutil.walk_packages(guard.__path__, "guard."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)


def call(words: list[str], config: str) -> dict[str, object]:
    """Run one command in a process of its own."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            os.dup2(out.fileno(), 1)
            os.dup2(err.fileno(), 2)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            os.environ["GUARD_CONFIG"] = config
            sys.argv[1:] = words
            run()
        _, status = os.waitpid(child, 0)
        texts = []
        for stream in (out, err):
            stream.seek(0)
            texts.append(stream.read().decode("utf-8", "backslashreplace"))
    return {"code": os.waitstatus_to_exitcode(status), "out": texts[0], "err": texts[1]}


if __name__ == "__main__":
    load_all()
    for line in sys.stdin:
        sys.stdout.write(json.dumps(call(**json.loads(line))) + "\n")
        sys.stdout.flush()
