"""DOT to SVG: the only room that knows the drawing program.

``graphviz-pure`` comes first: it carries its own fonts and writes the same bytes on every machine, which pictures
kept in a repository need. A system ``dot`` is used where it is missing. ``SAFETYMODEL_DOT`` set to ``pure`` or
``system`` allows only that one.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sysconfig
from html import escape
from pathlib import Path

from safetymodel.files import cannot_write, write_whole
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE

SECONDS = 60.0
"""How long one picture may take."""

PROGRAMS = ("pure", "system")
"""What SAFETYMODEL_DOT may name, in the order in which they are tried."""


def svg(dot: str, title: str = "", seconds: float = SECONDS) -> str | Problem:
    """The picture as SVG text, which ends in a newline.

    ``title`` is what a screen reader says of it. Nothing about the machine or the version of the drawing program
    remains in the text. A problem where no program is found, or it fails, or it takes longer than ``seconds``.
    """
    wanted = os.environ.get("SAFETYMODEL_DOT", "")
    if wanted and wanted not in PROGRAMS:
        hint = f"set it to {' or '.join(PROGRAMS)}, or not at all"
        return Problem("unknown-program", NOWHERE, f"SAFETYMODEL_DOT is {wanted!r}", hint)
    binary = drawing_program(wanted)
    if binary is None:
        return _missing(wanted)
    drawn = _run(binary, dot, seconds)
    return drawn if isinstance(drawn, Problem) else _tidy(drawn, title)


def write(dot: str, path: Path, title: str = "") -> Problem | None:
    """Draw into a file, whole or not at all; the problem where that does not work."""
    drawn = svg(dot, title)
    if isinstance(drawn, Problem):
        return drawn
    try:
        write_whole(path, drawn)
    except OSError as error:
        return cannot_write(path, error)
    return None


def drawing_program(wanted: str = "") -> Path | None:
    """The program that draws: ``wanted`` is ``pure``, ``system`` or empty (whichever is found first)."""
    for kind in PROGRAMS:
        if wanted in ("", kind):
            found = _pure() if kind == "pure" else _on_path("dot")
            if found is not None:
                return found
    return None


def _pure() -> Path | None:
    """The program of graphviz-pure: beside this Python's other scripts, or on the path."""
    name = "graphviz-pure.exe" if os.name == "nt" else "graphviz-pure"
    for scheme in (sysconfig.get_default_scheme(), sysconfig.get_preferred_scheme("user")):
        path = Path(sysconfig.get_path("scripts", scheme)) / name
        if path.is_file():
            return path
    return _on_path("graphviz-pure")


def _on_path(name: str) -> Path | None:
    found = shutil.which(name)
    return Path(found) if found else None


def _missing(wanted: str) -> Problem:
    what = {"pure": "graphviz-pure", "system": "a system dot"}.get(wanted, "neither graphviz-pure nor a system dot")
    return Problem(
        "no-drawing-program",
        NOWHERE,
        f"{what} was {'not ' if wanted else ''}found, so no picture can be drawn",
        "install it with: pip install graphviz-pure",
    )


def _run(binary: Path, dot: str, seconds: float) -> str | Problem:
    from graphviz.backend import dot_command, execute

    command = [binary, *dot_command.command("dot", "svg")[1:]]
    try:
        done = execute.run_check(
            command, input=dot.encode("utf-8", "replace"), capture_output=True, quiet=True, timeout=seconds
        )
    except subprocess.TimeoutExpired:
        return Problem(
            "drawing-too-slow",
            NOWHERE,
            f"the picture took longer than {seconds:g} s to lay out and was given up",
            "draw less at once, for example with --only a,b",
        )
    except execute.CalledProcessError as error:
        said = bytes(error.stderr or b"").decode("utf-8", "replace").strip().splitlines()
        return Problem("drawing-failed", NOWHERE, f"the drawing program failed: {said[0] if said else error}"[:300])
    except (execute.ExecutableNotFound, OSError) as error:
        return Problem("drawing-failed", NOWHERE, f"the drawing program could not be run: {error}"[:300])
    return bytes(done.stdout).decode("utf-8")


_HEAD = re.compile(r"\A.*?(?=<svg\b)", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_TITLE = re.compile(r"<title>[^<]*</title>\n?")
_OPENING = re.compile(r"<svg\b([^>]*)>")


def _tidy(text: str, title: str) -> str:
    """The drawing without document type, comments, and the internal names that browsers would show as hints."""
    text = _TITLE.sub("", _COMMENT.sub("", _HEAD.sub("", text, count=1)))
    text = text.replace('stroke="transparent"', 'stroke="none"').replace('fill="transparent"', 'fill="none"')
    text = text.replace('font-family="Arial"', 'font-family="Arial, Helvetica, sans-serif"')
    said = escape("".join(c for c in title if c.isprintable()), quote=True)
    name = f' role="img" aria-label="{said}"' if said else ' role="img"'
    inside = f"\n<title>{said}</title>" if said else ""
    text = _OPENING.sub(lambda m: f"<svg{' '.join(m[1].split()).join((' ', ''))}{name}>{inside}", text, count=1)
    return text.rstrip("\n") + "\n"
