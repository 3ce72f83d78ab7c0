"""A dialogue on a stream that cannot take every character of a spec."""

from __future__ import annotations

import io
import sys

import pytest
from worded_specs import POOL_LIFT, system_of

from safetymodel.drive.prompt import run
from safetymodel.report.terminal import say


@pytest.mark.parametrize(("encoding", "shown"), [("ascii", b"\\xfc"), ("utf-8", "ü".encode()), ("cp1252", b"\xfc")])
def test_what_a_stream_cannot_take_is_written_out(encoding: str, shown: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    system = system_of(POOL_LIFT.replace("by: swimmer", "by: Jürgen"))
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    assert run(system, io.StringIO("1\nquit\n"), say, 0) == 0
    assert b"J" + shown + b"rgen closes the belt (belt.close)" in raw.getvalue()


def test_control_characters_are_made_visible(capsys: pytest.CaptureFixture[str]) -> None:
    say("a\x1b[31mb\rc")
    assert capsys.readouterr().out == "a\\x1b[31mb\\x0dc\n"
