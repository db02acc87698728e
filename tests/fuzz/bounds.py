"""The command line within this process, where a thousand calls cost little, and what no input may make it do.

No traceback and no fault of the tool, no more than 2 s, no more than 200 MiB of memory, no write outside the state
folder and the holding folder, no other program and no connection, and no character in any output that could steer a
terminal.
"""

from __future__ import annotations

import gc
import io
import os
import re
import signal
import sys
import time
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from functools import wraps
from typing import Any, NamedTuple, Self

from hypothesis import HealthCheck, reject, settings

from guard.cli.main import main
from tests.plant import Plant

MOST_SECONDS = 2.0
"""Of work, and of standing still; without what other programs on the machine kept it waiting for a processor."""

HANGS_AFTER_S = 10
"""Here what does not end is stopped. A machine with much other work takes long for what is within bounds."""

OF_THE_TOOL_KIB = 40 << 10
"""What a process of its own has before it reads anything."""

MOST_KIB = (200 << 10) - OF_THE_TOOL_KIB
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
    "os.chown",
    "os.setxattr",
)
GOES_ELSEWHERE = ("subprocess.Popen", "os.exec", "os.posix_spawn", "os.system", "socket.connect", "socket.sendto")
COLOURS = re.compile(r"\x1b\[[0-9;]*m")
"""All that the screens steer a terminal with: SGR of ECMA-48, section 8.3.117."""

FITS = {0, 1, 2, 10, 20, 30}
"""The exit codes of the contract."""


def fuzzed(quick: int) -> Callable[[Any], Any]:
    """Half as many examples in the suite, whose time is short, and more in the same measure where a profile asks for more."""
    wanted = settings(
        max_examples=max(quick * settings.default.max_examples // 200, 1),
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
    )

    return lambda test: wanted(told_at_once_where_slow(test))


def told_at_once_where_slow(test: Any) -> Any:
    """Spare an input that takes too long being made smaller, which would take minutes, in which others lose patience."""
    once, slow = test.hypothesis.inner_test, []

    @wraps(once)
    def tried(**drawn: object) -> None:
        if slow and drawn != slow[0]:
            reject()
        try:
            once(**drawn)
        except TakesTooLong:
            slow.append(drawn)
            raise

    test.hypothesis.inner_test = tried
    return test


class Long(str):
    """A text that is too long to be told whole where a test fails."""

    __slots__ = ()

    def __repr__(self) -> str:
        return f"{self[:1]!r} * {len(self)}"


class Told(NamedTuple):
    """What a call gave."""

    code: int
    out: str
    err: str


class TakesTooLong(AssertionError):
    """A call works too long, or waits without working, or does not end."""


class Hangs(BaseException):
    """A call does not end."""


class Guard:
    """Calls the command line of a plant, and watches what it does."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.may_write = [os.path.realpath(plant.root / "state")]
        self.calls = 0

    def __enter__(self) -> Self:
        for words in (("fleet",), ("sets",), ("report",), ("look", "--wait", "0s")):  # what they import costs no input
            _called(("--config", str(self.plant.config), *words), on_terminal=True)
        self._processors = _kept_to_one()
        _watch(self)
        return self

    def __exit__(self, *_: object) -> None:
        _WATCHERS.clear()
        if self._processors:
            os.sched_setaffinity(0, self._processors)

    def __call__(self, *words: str, config: object = None, on_terminal: bool = False) -> Told:
        """Call it; raises AssertionError where a bound is broken."""
        self.calls += 1
        if self.calls % 20 == 0:
            gc.collect()  # what a command leaves to the end of its process
        with bounded(f"guard {words}"):
            _WRITTEN.clear()
            told = _called(("--config", str(config or self.plant.config), *words), on_terminal=on_terminal)
        shown = f"guard {words}: exit {told.code}\n{told.out}\n{told.err}"
        assert told.code in FITS, shown
        assert "The tool failed" not in told.err, shown
        assert "Traceback" not in told.err, shown
        written = [path for path in _WRITTEN if not self._is_ours(path)]
        assert not written, f"wrote {written} for {shown}"
        for text in (told.out, told.err):
            plain = COLOURS.sub("", text) if on_terminal else text
            assert not (found := controls(plain)), f"{found!r} in {shown!r}"
        return told

    def _is_ours(self, path: str) -> bool:
        real = os.path.realpath(path)
        if "__pycache__" in real.split(os.sep):
            return True  # what Python keeps of a module that the call was the first to need
        return real == os.devnull or any(real == each or real.startswith(each + os.sep) for each in self.may_write)


def _called(words: tuple[str, ...], *, on_terminal: bool) -> Told:
    out, err = ((_Screen if on_terminal else io.TextIOWrapper)(io.BytesIO(), "utf-8", newline="") for _ in range(2))
    with redirect_stdout(out), redirect_stderr(err):
        try:
            code = main(words)
        except SystemExit as left:
            code = int(str(left.code or 0))
    gc.enable()  # a command leaves it off, being over soon
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
    return Told(code, *texts)


class _Screen(io.TextIOWrapper):
    """What is written, as a terminal would get it."""

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        if not hasattr(_Screen, "terminal"):
            _Screen.terminal = os.openpty()[1]  # type: ignore[attr-defined]  # whose width is asked for
        return int(_Screen.terminal)  # type: ignore[attr-defined]


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


@contextmanager
def bounded(what: str) -> Iterator[None]:
    """Raises TakesTooLong or AssertionError where what is done within takes more time or memory than any input may cost."""
    _forget_peak()
    before = _status_kib("VmRSS")
    began, worked, waited = time.monotonic(), time.process_time(), _waited_s()
    try:
        with no_longer_than(HANGS_AFTER_S):
            yield
    except Hangs:
        raise TakesTooLong(f"{HANGS_AFTER_S} s and no end of {what}") from None
    work = time.process_time() - worked
    still = time.monotonic() - began - (_waited_s() - waited) - work
    more = _status_kib("VmHWM") - before
    if work > MOST_SECONDS:
        raise TakesTooLong(f"{work} s of work for {what}")
    if still > MOST_SECONDS:
        raise TakesTooLong(f"{still} s of standing still for {what}")
    assert more <= MOST_KIB, f"{more} KiB more memory for {what}"


def _waited_s() -> float:
    """How long this thread has waited for a processor: sched-stats.rst of the Linux kernel, /proc/<pid>/schedstat."""
    try:
        with open("/proc/thread-self/schedstat", encoding="ascii") as file:
            return int(file.read().split()[1]) / 1e9
    except OSError:
        return 0.0


def _kept_to_one() -> set[int]:
    """Keep this process to one processor, so that all the work is done in it and measured; returns what it had."""
    if not hasattr(os, "sched_setaffinity"):
        return set()
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {sorted(before)[os.getpid() % len(before)]})
    return before


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
    paths: list[str | bytes] = []
    if event == "open" and isinstance(args[0], (str, bytes)) and args[2] & WRITING:
        paths = [args[0]]
    elif event in CHANGES or event == "sqlite3.connect":
        paths = [each for each in args[:2] if isinstance(each, (str, bytes))]
    elif event in GOES_ELSEWHERE:
        paths = [f"{event}: {args!r}"]
    for path in paths:
        named = os.fsdecode(path).removeprefix("file:").partition("?")[0]
        _WRITTEN.append(named)
