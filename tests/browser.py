"""A real browser for tests of pages: the Chromium that is installed on the machine, driven by playwright.

Without one the tests are skipped, and say what to install; with SAFETYMODEL_BROWSER=required, as `.ci/run` sets it,
a missing browser is a failure.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


def found() -> str:
    """The program's path; skips, or fails where a browser is required."""
    for name in NAMES:
        path = shutil.which(name)
        if path is not None:
            return path
    message = f"no browser on this machine ({', '.join(NAMES)}): on Debian, apt-get install chromium"
    if os.environ.get("SAFETYMODEL_BROWSER") == "required":
        pytest.fail(message)
    pytest.skip(message)


@contextmanager
def browser() -> Iterator[Browser]:
    path = found()
    with sync_playwright() as play:
        # A container has no sandbox of its own; the only pages that it opens are ours, from files.
        running = play.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield running
        finally:
            running.close()


@dataclass
class Watched:
    """A page with everything that went wrong on it: script errors, messages, requests beyond the file itself."""

    page: Page
    wrong: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def open(self, path: Path) -> Page:
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("console", lambda message: self.wrong.append(message.text))
        self.page.on("dialog", lambda dialog: (self.wrong.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(path.as_uri())
        return self.page

    def clean(self, path: Path) -> None:
        assert not self.wrong
        assert self.requests == [path.as_uri()]
