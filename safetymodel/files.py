"""Writing files whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import tempfile
from pathlib import Path

from safetymodel.problems import Problem
from safetymodel.span import Span

_INPUTS: set[str] = set()
"""Files that the program has read a spec or a map from: a mistyped option shall not cost the user his work."""


def is_input(path: Path | str) -> None:
    """From now on nothing is written over this file."""
    _INPUTS.add(os.path.realpath(path))


def write_whole(path: Path, text: str) -> None:
    """Write a text file (UTF-8, line ends as given) so that an interruption leaves the old file or none.

    A link stays one, and what is no file (a pipe, a device) is written to. A file that exists keeps its mode. Raises
    OSError as :func:`open` does, and where the file is one that was read from.
    """
    target = Path(os.path.realpath(path))
    if str(target) in _INPUTS:
        raise FileExistsError(errno.EEXIST, "this was read from it; name another file")
    if target.exists() and not target.is_file():
        with open(target, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        return
    if target.exists() and not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    mode = target.stat().st_mode & 0o7777 if target.exists() else 0o666 & ~_umask()
    handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        os.chmod(temporary, mode)
        os.replace(temporary, target)
    except BaseException:
        os.unlink(temporary)
        raise


def json_text(data: object) -> str:
    """Data as JSON for people to read too: letters as they are, what cannot be seen (direction marks) as its code."""
    lines = json.dumps(data, indent=1, ensure_ascii=False).split("\n")
    return "".join(f"{line if line.isprintable() else ''.join(map(_coded, line))}\n" for line in lines)


def _coded(c: str) -> str:
    return c if c.isprintable() else json.dumps(c)[1:-1]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def cannot_write(path: Path | str, error: OSError) -> Problem:
    """The problem of a file that can't be written."""
    return Problem("cannot-write", Span(str(path), 1), f"cannot write {path}: {error.strerror or error}")
