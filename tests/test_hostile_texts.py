"""A spec whose texts hold terminal escapes and direction marks: none of them gets out in any output of any command."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest

from safetymodel.cli import main

BAD = frozenset("\x07\x1b\u202e\u2066\u200f")
EVIL = r"\a\e[31mlive\u202Eevil\u2066\u200F<b>&amp;`|"
"""In YAML's double quotes; a reader must see it as text: bell, red, right to left, isolated."""

SPEC = """\
safetymodel: 1
title: "Gate EVIL"
text: "A gate EVIL"
subsystems:
  gate:
    text: "Gate EVIL"
    role: barrier
    states: [shut, open]
    events:
      swing: {by: "visitor EVIL", text: "swings EVIL"}
      close: {by: "visitor EVIL", text: "closes EVIL"}
    transitions:
      - {from: shut, to: open, on: swing}
      - {from: open, to: shut, on: close}
  key:
    text: "Key EVIL"
    role: control
    states: [off, on]
    events: {turn: {by: "clerk EVIL", text: "turns EVIL"}, back: {by: "clerk EVIL", text: "turns back EVIL"}}
    transitions: [{from: off, to: on, on: turn}, {from: on, to: off, on: back}]
  lift:
    text: "Lift EVIL"
    role: actuator
    response: 100 ms
    states: [still, moving]
    transitions:
      - {from: still, to: moving, if: gate_shut and key is on}
      - {from: moving, to: still, if: not gate_shut or key is off}
signals:
  gate_shut: {reads: gate is shut, text: "switch EVIL"}
functions:
  motion: {active: lift is moving, text: "moves EVIL"}
faults:
  bridged: {signal: gate_shut, stuck: true, text: "bridged EVIL", rate: 2.0e-7 / h}
hazards:
  H1: {text: "Somebody falls EVIL", severity: serious}
requirements:
  R1: {text: "No motion EVIL", never: lift is moving and gate is open, hazard: H1, withstand: 1, source: "page EVIL",
       approach: {distance: 100 mm}}
  R2: {text: "It moves EVIL", possible: lift is moving, source: "page EVIL"}
scenarios:
  ride:
    text: "A ride EVIL"
    steps: [key.turn, check lift is moving]
    ends_with: lift is moving
  wrong:
    text: "Nothing moves EVIL"
    steps: [key.turn, check lift is still]
""".replace("EVIL", EVIL)

CALLS = (
    "verify a.yaml --json v.json --junit v.xml --markdown v.md --save-traces kept",
    "verify a.yaml --json -",
    "verify b.yaml --baseline v.json",
    "faults a.yaml --up-to 1 --json f.json --csv f.csv --numbers --trees trees --show R1 --runs always",
    "review a.yaml --json r.json --markdown r.md --matrix m.html --matrix m.csv",
    "sheets a.yaml --json s.json --out sheets",
    "report a.yaml --out page.html",
    "compare a.yaml b.yaml --json c.json --html c.html",
    "draw a.yaml --out pictures",
    "bench a.yaml --device twin --defect drop:lift.still-moving:gate_shut --steps 60 --out bench --json bench.json",
    "bench a.yaml --device twin --sheet --out filled",
    "drive a.yaml",
)
DRIVEN = "key.turn\ngate.swing\nwhy\nsave saved.json\nquit\n"


def test_no_output_of_any_command_holds_what_cannot_be_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.yaml").write_text(SPEC, encoding="utf-8")
    Path("b.yaml").write_text(SPEC.replace("if: gate_shut and key is on", "if: key is on"), encoding="utf-8")
    leaks: list[tuple[str, str]] = []
    for call in CALLS:
        monkeypatch.setattr("sys.stdin", io.StringIO(DRIVEN))
        with pytest.raises(SystemExit) as ended:
            main(call.split())
        assert ended.value.code in (0, 1), call
        shown = capsys.readouterr()
        if call.endswith("-"):
            assert json.loads(shown.out)["spec"]["title"].startswith("Gate \x07\x1b[31mlive\u202e"), "data is kept"
        leaks += [(call, line[:200]) for line in f"{shown.out}\n{shown.err}".split("\n") if set(line) & BAD]
    written = [path for path in tmp_path.rglob("*") if path.is_file() and path.name not in ("a.yaml", "b.yaml")]
    for path in written:
        text = path.read_bytes().decode("utf-8")
        leaks += [(path.name, line[:200]) for line in text.split("\n") if set(line) & BAD]
        if path.suffix == ".html":
            _is_like_the_other_pages(text)
    assert not leaks
    kinds = {path.suffix for path in written}
    assert kinds >= {".json", ".xml", ".md", ".html", ".csv", ".svg", ".py"}, kinds


def _is_like_the_other_pages(page: str) -> None:
    """Fits a phone, asks for nothing, and every heading of a table says of what."""
    assert '<html lang="en">' in page
    assert '<meta name="viewport" content="width=device-width' in page
    assert "Content-Security-Policy\" content=\"default-src 'none'" in page
    headings = re.findall(r"<th\b[^>]*>", page)
    assert headings
    assert all(" scope=" in heading for heading in headings), [h for h in headings if " scope=" not in h][:3]
