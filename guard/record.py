"""Frozen records: named tuples written as classes, as `typing.NamedTuple` has them.

This is the same thing built on `collections.namedtuple` alone. Loading `typing` and letting
it check every annotation would take a tenth of the time in which a question is answered.
"""

from __future__ import annotations

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import NamedTuple as Record
else:
    from collections import namedtuple

    class _Making(type):
        """Makes a named tuple of a class body: its annotations are the fields, its values the defaults."""

        def __new__(cls, name: str, bases: tuple[type, ...], body: dict[str, object]) -> type:
            if not bases:
                return super().__new__(cls, name, bases, body)
            fields = body["__annotations__"]
            defaults = [body[field] for field in fields if field in body]
            made = namedtuple(name, fields, defaults=defaults, module=body["__module__"])  # noqa: PYI024
            for key, value in body.items():
                if key not in fields and key not in ("__module__", "__qualname__", "__annotations__"):
                    setattr(made, key, value)
            return made

    class Record(metaclass=_Making):
        """The base to write in a class statement; what comes of it is a plain named tuple."""


__all__ = ["Record"]
