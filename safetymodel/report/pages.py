"""Pages from templates; everything is escaped but markup of our own. The one room that knows jinja2."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("safetymodel", "report/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(template: str, **values: Any) -> str:
    """The text of a template (a file name in ``templates/``) with these values.

    Every text is escaped, whatever it holds; only what :func:`own_markup` gave out goes in as it stands. A value that
    the template names and nobody gave is an error of ours.
    """
    return _environment().get_template(template).render(**values)


def own_markup(text: str) -> Markup:
    """Marks text as markup that this program made, with everything of the spec in it escaped: our SVG pictures."""
    from markupsafe import Markup

    return Markup(text)
