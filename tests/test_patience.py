"""A share that does not answer, or whose marker is no file, keeps nobody waiting."""

from __future__ import annotations

import os
from threading import Event

import pytest

from guard.errors import ShareUnreadable
from guard.share.patience import answered
from tests.plant import Plant


def test_what_it_answers_and_what_it_raises_comes_through() -> None:
    assert answered("/share", lambda: 7) == 7
    with pytest.raises(ZeroDivisionError):
        answered("/share", lambda: 1 // 0)


def test_no_answer_is_told() -> None:
    server = Event()
    with pytest.raises(ShareUnreadable, match=r"it has not answered for 0\.05 s"):
        answered("/silent", server.wait, 0.05)
    server.set()


def test_nobody_waits_twice_for_what_hangs_still() -> None:
    server = Event()
    with pytest.raises(ShareUnreadable):
        answered("/hung", server.wait, 0.05)
    with pytest.raises(ShareUnreadable, match="it does not answer"):
        answered("/hung", lambda: 7, 3600)
    assert answered("/another", lambda: 7) == 7
    server.set()
    while True:
        try:
            assert answered("/hung", lambda: 7) == 7
            break
        except ShareUnreadable:
            continue  # the look that hung is just coming back


def test_a_pipe_in_place_of_the_marker(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    (plant.share / ".guard-share.json").unlink()
    os.mkfifo(plant.share / ".guard-share.json")
    assert plant.ask().codes == {"share-doubt"}
    assert plant.run("look").code == 1
