"""Fills the templates of reports and sheets: everything that is put in is escaped, and unharmed by odd names."""

from __future__ import annotations

from functools import lru_cache

from guard.names import visible

TYPE_CHECKING = False

if TYPE_CHECKING:
    from jinja2 import Environment


def page(template: str, **values: object) -> str:
    """One whole page. A value that the template names and nobody gave is a fault."""
    return _templates().get_template(template).render(**values)


@lru_cache(maxsize=1)
def _templates() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    def spelled(value: object) -> object:
        """Text with every character spelled out that could hide or turn round what stands there, or is no text."""
        return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    return Environment(
        loader=PackageLoader("guard.tell"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=spelled,
    )
