"""The commented spec that a newcomer begins with."""

from __future__ import annotations

from importlib.resources import files


def starter_text(title: str) -> str:
    """A whole spec file of format 1 for an invented kiln, with this title.

    Any title is taken: it is written as a quoted text, line breaks as spaces, other control characters left out.
    """
    text = files("safetymodel.spec").joinpath("starter.yaml").read_text(encoding="utf-8")
    return text.replace("@TITLE@", quoted(title), 1)


def quoted(title: str) -> str:
    """A text as a double-quoted YAML word on one line."""
    line = " ".join(title.split())
    kept = "".join(c for c in line if c.isprintable())
    escaped = kept.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped or "My system"}"'
