"""The commented spec that a newcomer begins with."""

from __future__ import annotations

from importlib.resources import files

from safetymodel.spec.writer import quoted


def starter_text(title: str) -> str:
    """A whole spec file of format 1 for an invented kiln, with this title.

    Any title is taken: white space in it becomes single blanks, control characters are left out.
    """
    line = "".join(c for c in " ".join(title.split()) if c.isprintable()).strip()
    text = files("safetymodel.spec").joinpath("starter.yaml").read_text(encoding="utf-8")
    return text.replace("@TITLE@", quoted(line or "My system"), 1)
