"""The command line within this process, where a thousand calls cost little, and what no input may make it do.

No traceback and no fault of the tool, no more than 2 s of work, no more than 200 MiB of memory, no write outside
the state folder, and no character in any output that could steer a terminal.
"""

from __future__ import annotations

import gc
import io
import os
import signal
import sys
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import Any, NamedTuple, Self

from hypothesis import HealthCheck, settings

from guard.cli.main import main
from tests.plant import Plant

MOST_SECONDS = 2.0
"""Of work, which is what other programs on the machine leave as it is."""

HANGS_AFTER_S = 30
MOST_KIB = 200 << 10
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
CHANGES = (
    "os.mkdir",
    "os.remove",
    "os.rename",
    "os.rmdir",
    "os.link",
    "os.symlink",
    "os.truncate",
    "os.chmod",
    "os.utime",
)

FITS = {0, 1, 2, 10, 20, 30}
"""The exit codes of the contract."""


def fuzzed(quick: int) -> settings:
    """Half as many examples in the suite, whose time is short, and more in the same measure where a profile asks for more."""
    return settings(
        max_examples=max(quick * settings.default.max_examples // 200, 1),
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
    )


class Told(NamedTuple):
    """What a call gave."""

    code: int
    out: str
    err: str


class Hangs(BaseException):
    """A call does not end."""


class Guard:
    """Calls the command line of a plant, and watches what it does."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.may_write = [os.path.realpath(plant.root / "state")]
        self.calls = 0

    def __enter__(self) -> Self:
        _watch(self)
        return self

    def __exit__(self, *_: object) -> None:
        _WATCHERS.clear()

    def __call__(self, *words: str, config: object = None) -> Told:
        """Call it; raises AssertionError where a bound is broken."""
        self.calls += 1
        if self.calls % 20 == 0:
            gc.collect()  # what a command leaves to the end of its process
        _forget_peak()
        before = _status_kib("VmRSS")
        told, seconds, written = self._call("--config", str(config or self.plant.config), *words)
        shown = f"guard {words}: exit {told.code}\n{told.out}\n{told.err}"
        assert told.code in FITS, shown
        assert "The tool failed" not in told.err, shown
        assert "Traceback" not in told.err, shown
        assert seconds <= MOST_SECONDS, f"{seconds} s of work for {shown}"
        assert not written, f"wrote {written} for {shown}"
        for text in (told.out, told.err):
            assert not (found := controls(text)), f"{found!r} in {shown!r}"
        assert (more := _status_kib("VmHWM") - before) <= MOST_KIB, f"{more} KiB more memory for {shown}"
        return told

    def _call(self, *words: str) -> tuple[Told, float, list[str]]:
        out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", newline="") for _ in range(2))
        _WRITTEN.clear()
        began = time.process_time()
        with redirect_stdout(out), redirect_stderr(err), no_longer_than(HANGS_AFTER_S):
            try:
                code = main(words)
            except SystemExit as left:
                code = int(str(left.code or 0))
        seconds = time.process_time() - began
        gc.enable()  # a command leaves it off, being over soon
        texts = []
        for stream in (out, err):
            stream.flush()
            texts.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
        written = [path for path in _WRITTEN if not self._is_ours(path)]
        return Told(code, *texts), seconds, written

    def _is_ours(self, path: str) -> bool:
        real = os.path.realpath(path)
        if "__pycache__" in real.split(os.sep):
            return True  # what Python keeps of a module that the call was the first to need
        return real == os.devnull or any(real == each or real.startswith(each + os.sep) for each in self.may_write)


def controls(text: str) -> list[str]:
    """The characters of a text that could control a terminal or hide something, line ends left out."""
    return [sign for sign in text if sign != "\n" and (unicodedata.category(sign)[0] == "C" or sign in "\u2028\u2029")]


@contextmanager
def no_longer_than(seconds: int) -> Iterator[None]:
    """Raises Hangs in the middle of what takes longer."""

    def stop(_number: int, _frame: object) -> None:
        raise Hangs

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def _forget_peak() -> None:
    """Let the peak of memory be that of now on; see clear_refs in proc(5)."""
    if sys.platform == "linux":
        with open("/proc/self/clear_refs", "w", encoding="ascii") as file:
            file.write("5")


def _status_kib(name: str) -> int:
    """A figure of this process's memory; 0 where the system tells none."""
    if sys.platform != "linux":
        return 0
    with open("/proc/self/status", encoding="ascii") as file:
        return next(int(line.split()[1]) for line in file if line.startswith(name))


_WATCHERS: list[Guard] = []
_WRITTEN: list[str] = []


def _watch(guard: Guard) -> None:
    if not hasattr(_watch, "begun"):
        sys.addaudithook(_note)  # for good: no hook can be taken away
        _watch.begun = True  # type: ignore[attr-defined]
    _WATCHERS[:] = [guard]


def _note(event: str, args: tuple[Any, ...]) -> None:
    if not _WATCHERS:
        return
    if event == "open" and isinstance(args[0], (str, bytes)) and args[2] & WRITING:
        _WRITTEN.append(os.fsdecode(args[0]))
    elif event in CHANGES or event == "sqlite3.connect":
        paths = [each for each in args[:2] if isinstance(each, (str, bytes))]
        _WRITTEN.extend(os.fsdecode(path).removeprefix("file:").partition("?")[0] for path in paths)
