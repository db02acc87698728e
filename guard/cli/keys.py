"""Whether somebody pressed Enter, without waiting for it any longer than told."""

from __future__ import annotations

import sys
from threading import Event

STEP_S = 0.1
"""How often a console is asked that cannot be waited for."""


def entered(seconds: float) -> bool:
    """Wait for so long at most; True as soon as a line was entered. What else was typed in it does not matter.

    Raises EOFError where nobody is at the other end any more.
    """
    if sys.platform == "win32":
        import msvcrt

        for _ in range(max(int(seconds / STEP_S), 1)):
            while msvcrt.kbhit():
                if msvcrt.getwch() in "\r\n":
                    return True
            Event().wait(STEP_S)
        return False
    import select

    if not select.select([sys.stdin], [], [], seconds)[0]:
        return False
    if not sys.stdin.buffer.readline():
        raise EOFError
    return True
