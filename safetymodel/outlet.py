"""A stream that outlives its reader: `| head` ends what is shown, not what is worked out and written to files."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TextIO


class Outlet:
    """Writes to a stream until that fails; all else is the stream's own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._open = True
        self.failed: OSError | None = None
        """Why writing ended, unless only because nobody reads any more."""

    def write(self, text: str) -> int:
        self._doing(lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        self._doing(self._stream.flush)

    def _doing(self, what: Callable[[], object]) -> None:
        if not self._open:
            return
        try:
            what()
        except BrokenPipeError:
            self._open = False
        except OSError as error:
            self._open, self.failed = False, error

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)
