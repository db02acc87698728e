"""Frozen records: named tuples written as classes, as `typing.NamedTuple` has them.

This makes the same thing with what an answer needs of it and no more. `collections.namedtuple`
writes and compiles code for every class when it is made, and there are a hundred classes: a tenth
of the time in which a question is answered. Here that waits until a class is used more than a few
times, and most never are. Loading `typing` would be another tenth.
"""

from __future__ import annotations

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import NamedTuple as Record
else:
    from _collections import _tuplegetter

    FEW_USES = 3
    """To compile a class's own way of making it pays from about here on."""

    class _Named(tuple):
        """What all records have in common."""

        __slots__ = ()
        _fields = ()
        _uses = 0

        def __new__(cls, *values, **named):
            rest = cls._fields[len(values) :]
            defaults, uses = cls._field_defaults, cls._uses
            fits = len(values) <= len(cls._fields) and all(field in named or field in defaults for field in rest)
            if uses < FEW_USES and fits and named.keys() <= set(rest):
                cls._uses = uses + 1
                return tuple.__new__(cls, (*values, *[named[f] if f in named else defaults[f] for f in rest]))
            cls.__new__ = _constructor(cls._fields, defaults)
            return cls(*values, **named)

        @classmethod
        def _make(cls, values):
            made = tuple.__new__(cls, values)
            if len(made) != len(cls._fields):
                raise TypeError(f"{cls.__name__} has {len(cls._fields)} fields, not {len(made)}")
            return made

        def _replace(self, /, **changes):
            made = self._make(map(changes.pop, self._fields, self))
            if changes:
                raise ValueError(f"{type(self).__name__} has no field {', '.join(changes)}")
            return made

        def _asdict(self):
            return dict(zip(self._fields, self, strict=True))

        def __repr__(self):
            told = ", ".join(f"{name}={value!r}" for name, value in zip(self._fields, self, strict=True))
            return f"{type(self).__name__}({told})"

        def __getnewargs__(self):
            return tuple(self)

    def _constructor(fields, defaults):
        """A function of these very arguments: it is much quicker to call than one that takes any."""
        given = ", ".join(fields)
        new = eval(f"lambda _cls, {given}: _new(_cls, ({given},))", {"_new": tuple.__new__})  # noqa: S307
        new.__defaults__ = tuple(defaults.values())
        return staticmethod(new)

    class _Making(type):
        """Makes a record of a class body: its annotations are the fields, its values the defaults."""

        def __new__(cls, name: str, bases: tuple[type, ...], body: dict[str, object]) -> type:
            if not bases:
                return super().__new__(cls, name, bases, body)
            fields = tuple(body["__annotations__"])
            body["_field_defaults"] = {field: body[field] for field in fields if field in body}
            for number, field in enumerate(fields):
                body[field] = _tuplegetter(number, "")
            body["_fields"] = body["__match_args__"] = fields
            body["__slots__"] = ()
            return type(name, (_Named,), body)

    class Record(metaclass=_Making):
        """The base to write in a class statement; what comes of it is a tuple with names."""


__all__ = ["Record"]
