"""Writing files whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from safetymodel.problems import Problem
from safetymodel.span import Span


def write_whole(path: Path, text: str) -> None:
    """Write a text file (UTF-8, line ends as given) so that an interruption leaves the old file or none.

    Raises OSError as :func:`open` does.
    """
    handle, temporary = tempfile.mkstemp(dir=path.parent or Path(), prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def cannot_write(path: Path | str, error: OSError) -> Problem:
    """The problem of a file that can't be written."""
    return Problem("cannot-write", Span(str(path), 1), f"cannot write {path}: {error.strerror or error}")
