"""Records behave as `typing.NamedTuple`, which the type checker takes them for."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from guard.record import Record


class Theirs(NamedTuple):
    """A point."""

    x: int
    y: int = 2
    z: tuple[int, ...] = ()

    @property
    def total(self) -> int:
        return self.x + self.y


class Ours(Record):
    """A point."""

    x: int
    y: int = 2
    z: tuple[int, ...] = ()

    @property
    def total(self) -> int:
        return self.x + self.y


def fresh() -> Any:
    """A class that was never used."""

    class Fresh(Record):
        x: int
        y: int = 2

    return Fresh


def matched(point: Any) -> Any:
    match point:
        case Ours(1, y) | Theirs(1, y):
            return y
        case _:
            return None


SAME: dict[str, Callable[[Any], Any]] = {
    "by-place": lambda kind: tuple(kind(1, 3, (4,))),
    "by-name": lambda kind: tuple(kind(z=(4,), x=1)),
    "defaults": lambda kind: tuple(kind(1)),
    "equal": lambda kind: (kind(1) == kind(1, 2, ()), kind(1) == (1, 2, ()), kind(1) == kind(2), kind(1) < kind(2)),
    "hash": lambda kind: hash(kind(1)),
    "replaced": lambda kind: tuple(kind(1)._replace(y=7, z=(1,))),
    "made": lambda kind: tuple(kind._make([1, 2, (3,)])),
    "as-dict": lambda kind: kind(1)._asdict(),
    "fields": lambda kind: (kind._fields, kind._field_defaults, kind.__doc__, kind.__match_args__),
    "property": lambda kind: kind(1).total,
    "matched": lambda kind: (matched(kind(1, 5)), matched(kind(2, 5))),
    "pickled": lambda kind: (type(pickle.loads(pickle.dumps(kind(1)))) is kind, tuple(pickle.loads(pickle.dumps(kind(1))))),  # noqa: S301
    "shown": lambda kind: repr(kind(1, 3)).removeprefix(kind.__name__),
}  # fmt: skip


@pytest.mark.parametrize("of", SAME.values(), ids=SAME)
def test_the_same_as_a_named_tuple(of: Callable[[Any], Any]) -> None:
    assert of(Ours) == of(Theirs)


WRONG: dict[str, Callable[[Any], Any]] = {
    "too-few": lambda kind: kind(),
    "too-many": lambda kind: kind(1, 2, (), 4),
    "unknown": lambda kind: kind(1, w=3),
    "twice": lambda kind: kind(1, x=3),
    "made-of-too-few": lambda kind: kind._make([1]),
    "set": lambda kind: setattr(kind(1), "x", 2),
    "new-attribute": lambda kind: setattr(kind(1), "w", 2),
    "replaced-unknown": lambda kind: kind(1)._replace(w=2),
}


@pytest.mark.parametrize("of", WRONG.values(), ids=WRONG)
def test_wrong_in_the_same_way(of: Callable[[Any], Any]) -> None:
    raised = []
    for kind in (Ours, Theirs):
        with pytest.raises((TypeError, AttributeError, ValueError)) as error:
            of(kind)
        raised.append(error.type)
    assert raised[0] is raised[1]


@pytest.mark.parametrize("times", range(8))
def test_every_use_is_the_same_from_the_first_on(times: int) -> None:
    kind = fresh()
    for _ in range(times):
        assert kind(x=1) == (1, 2)
    for wrong in WRONG.values():
        with pytest.raises((TypeError, AttributeError, ValueError)):
            wrong(kind)
    assert [kind(3), kind(3, 4), kind(y=5, x=3)] == [(3, 2), (3, 4), (3, 5)]
