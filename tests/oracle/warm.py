"""The real command line, kept warm: one process that has it loaded and forks for every call.

Each call runs `guard.cli.main.run`, the entry of the console command, in a process of its own. Calls come as JSON
lines on standard input, `{"words": [...], "config": "...", "ahead_s": 0}`; what they gave goes out as one line each.
This file alone in this folder loads the tool, and only to call it.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import sys
import tempfile
import time
from datetime import datetime, timedelta

import guard
from guard import clock

AHEAD_S = [0.0]
REAL = clock.now, time.monotonic, time.clock_gettime


def plants_now() -> datetime:
    """The time by the clock of the plant, so that days pass while nobody waits."""
    return REAL[0]() + timedelta(seconds=AHEAD_S[0])


time.monotonic = lambda: REAL[1]() + AHEAD_S[0]  # or it would look as if somebody had set the clock
time.clock_gettime = lambda which: REAL[2](which) + AHEAD_S[0]
clock.now = plants_now  # before anything else of the tool is loaded, which may keep it by name


def load_all() -> None:
    """Load every module once, so that no call pays for it; a smaller process is the quicker to fork."""
    sys.modules.update(dict.fromkeys(("numpy", "pandas")))  # which sqlite_utils would load where it finds them
    importlib.import_module("sqlite_utils")  # the tool loads it late, for a state folder that is new
    for module in pkgutil.walk_packages(guard.__path__, "guard."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)


def call(words: list[str], config: str, ahead_s: float) -> dict[str, object]:
    """Run one command in a process of its own."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            os.dup2(out.fileno(), 1)
            os.dup2(err.fileno(), 2)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            os.environ["GUARD_CONFIG"] = config
            sys.argv[1:] = words
            AHEAD_S[0] = ahead_s
            importlib.import_module("guard.cli.main").run()
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
