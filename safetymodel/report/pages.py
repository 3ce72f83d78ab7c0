"""Pages from templates; everything is escaped but markup of our own. The one room that knows jinja2."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from safetymodel.problems import printable

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


def _printable(value: Any) -> Any:
    """Text without control characters and direction marks; markup of our own, and what is no text, as it is."""
    return printable(value) if isinstance(value, str) and not hasattr(value, "__html__") else value


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("safetymodel", "report/templates"),
        autoescape=True,
        finalize=_printable,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(template: str, **values: Any) -> str:
    """The text of a template (a file name in ``templates/``) with these values.

    Every text is escaped, whatever it holds, and its control characters are made visible; only what
    :func:`own_markup` gave out goes in as it stands. A value that the template names and nobody gave is an error of
    ours.
    """
    return _environment().get_template(template).render(**values)


def own_markup(text: str) -> Markup:
    """Marks text as markup that this program made, with everything of the spec in it escaped: our SVG pictures."""
    from markupsafe import Markup

    return Markup(text)
