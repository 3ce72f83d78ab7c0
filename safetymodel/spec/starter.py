"""The spec that `safetymodel new` writes: a small machine that verifies, with comments that explain the format."""

from __future__ import annotations

from importlib.resources import files

from safetymodel.spec.writer import quoted


def starter_text(title: str) -> str:
    """The text of a starter spec with this title (white space in it becomes single blanks)."""
    text = files("safetymodel.spec").joinpath("starter.yaml").read_text(encoding="utf-8")
    return text.replace("title: TITLE", f"title: {quoted(' '.join(title.split()) or 'A new machine')}", 1)
