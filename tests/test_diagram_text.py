"""Text in diagrams: hostile labels show as they stand, roles differ in more than colour, both programs draw."""

from __future__ import annotations

import re
import shutil
import stat
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safetymodel.diagrams import render
from safetymodel.diagrams.dot_text import MOST_LABEL, Raw, attributes, digraph, edge, label, node, shown, wrapped
from safetymodel.diagrams.style import (
    ALARM,
    FAULTY_FILL,
    INK,
    LOOKS,
    OKABE_ITO,
    PAPER,
    QUIET,
    SIGNAL_FILL,
    Sample,
    contrast,
    key_node,
    look_of,
    luminance,
    role_key,
    tint,
)
from safetymodel.problems import Problem

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = (
    '"]; evil [label="x',
    "\\",
    "\\N \\G \\l \\n",
    "ends in \\",
    '\\"',
    "<b>bold</b>",
    "<<TABLE></TABLE>>",
    "&lt; &amp; &#65; &",
    "]]> --> <!-- */ // #",
    "{ } ; -> [ ]",
    "\u00e9\u6f22\u05d0",
)


def words(svg: str) -> list[str]:
    return [e.text or "" for e in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def drawn(body: list[str]) -> str:
    svg = render.svg(digraph(["t"], body, {}))
    assert isinstance(svg, str), svg
    return svg


# -- labels -----------------------------------------------------------------------------------


@pytest.fixture(params=["pure", "system"])
def program(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Each of the two drawing programs; the system's only where it is installed."""
    name = str(request.param)
    if name == "system" and shutil.which("dot") is None:
        pytest.skip("no system dot here")
    monkeypatch.setenv("SAFETYMODEL_DOT", name)
    return name


def test_hostile_labels_show_as_they_stand(program: str) -> None:
    body = [node(f"n{n}", label=text) for n, text in enumerate(HOSTILE)]
    body += [edge("n0", "n1", label=text) for text in HOSTILE]
    body.append(node("m", label=Raw(label(HOSTILE, "l"))))
    svg = drawn(body)
    found = [word.replace("\u00a0", " ") for word in words(svg)]
    for text in HOSTILE:
        assert found.count(text) == 3, (text, found)
    tags = {e.tag.removeprefix(SVG) for e in ElementTree.fromstring(svg).iter()}
    assert tags <= {"svg", "g", "title", "polygon", "path", "text", "ellipse", "polyline"}
    assert "evil" not in re.sub(r"<text.*?</text>", "", svg)


def test_control_characters_are_written_out(program: str) -> None:
    text = "a\x00b\x1b[31m\x7f\u202e\ud800\u2028\tc\nd"
    assert shown(text) == "a\\x00b\\x1b[31m\\x7f\\u202e\\ud800\\u2028 c d"
    assert shown(text) in [word.replace("\u00a0", " ") for word in words(drawn([node("n", label=text)]))]


def test_long_labels_are_cut() -> None:
    assert len(label("x" * 100_000)) == MOST_LABEL + 2
    assert label("x" * 100_000).endswith('..."')


@given(st.lists(st.text(max_size=40), max_size=4), st.sampled_from("nlr"))
@settings(max_examples=300, deadline=None)
def test_a_label_is_one_quoted_string_whatever_it_holds(lines: list[str], align: str) -> None:
    text = label(lines, align)
    # Read it as DOT does: a backslash takes the next character with it, and the first bare quote ends the string.
    read, place = [], 1
    assert text[0] == '"'
    while text[place] != '"':
        if text[place] == "\\":
            assert text[place + 1] in f'\\"{align}', text
            read.append("\n" if text[place + 1] == align else text[place + 1])
            place += 2
        else:
            read.append(text[place])
            place += 1
    assert place == len(text) - 1
    plain = "".join(read)
    assert not re.search(r"&(?!amp;)", plain)
    told = plain.replace("&amp;", "&").split("\n")
    if align != "n":
        assert told.pop() == ""
    assert told == ([shown(line) for line in lines] or ([""] if align == "n" else []))
    assert all(c.isprintable() or c == "\n" for c in plain)


@given(st.text(max_size=200), st.integers(4, 40))
@settings(max_examples=200, deadline=None)
def test_wrapped_lines_keep_to_the_width_and_lose_only_blanks(text: str, width: int) -> None:
    lines = wrapped(text, width)
    assert lines
    assert all(len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == shown(text).replace(" ", "")


def test_names_of_nodes_are_never_text_of_a_spec() -> None:
    for name in ("a b", "a;b", 'a"', "\u00e9", "a->b", "<a>"):
        with pytest.raises(AssertionError):
            node(name)
        with pytest.raises(AssertionError):
            edge("a", name)
    assert node("n1", width=0.5, fixed=True) == "  n1 [width=0.5, fixed=true];"
    assert attributes({}) == ""


# -- roles and colours ------------------------------------------------------------------------


def test_contrast_is_that_of_the_standard() -> None:
    """Source: WCAG 2.1; black on white is 21:1 there, #767676 on white the well-known 4.54:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#ffffff", "#767676") == pytest.approx(4.54, abs=0.005)
    assert luminance("#ff0000") == pytest.approx(0.2126)
    assert contrast("#123456", "#123456") == 1


def test_labels_keep_seven_to_one() -> None:
    fills = [look.fill for look in LOOKS] + [SIGNAL_FILL, FAULTY_FILL, PAPER]
    assert min(contrast(INK, fill) for fill in fills) >= 7
    assert contrast(QUIET, PAPER) >= 7
    assert contrast(ALARM, PAPER) >= 7


def test_no_role_is_told_by_colour_alone() -> None:
    assert len({look.shape for look in LOOKS}) == len(LOOKS)
    assert len({look.word for look in LOOKS}) == len(LOOKS)
    roles = {"sensor", "actuator", "barrier", "control", "person", "supply", None}
    assert {look.role for look in LOOKS} == roles
    for role in roles:
        assert look_of(role).role == role


def test_fills_are_tints_of_the_published_colours() -> None:
    """Okabe and Ito 2008; the values as in Wong 2011 (value from memory, check against the printed article)."""
    assert OKABE_ITO["sky blue"] == "#56b4e9"
    assert tint("#56b4e9", 1) == "#56b4e9"
    assert tint("#56b4e9", 0) == "#ffffff"
    assert tint("#000000", 0.5) == "#808080"
    coloured = [look.fill for look in LOOKS if look.fill != PAPER]
    assert len(set(coloured)) == 6


def test_the_key_shows_what_it_is_told(program: str) -> None:
    samples = [Sample("dashed arrow: b", "dashed"), Sample("box <&> c", boxed=True, double=True)]
    svg = drawn([*key_node(samples, ["note: d"]), *role_key(LOOKS)])
    found = [word.replace("\u00a0", " ") for word in words(svg)]
    for text in ("Key", "dashed arrow: b", "box <&> c", "note: d", *(look.word for look in LOOKS)):
        assert text in found
    assert "stroke-dasharray" in svg
    assert key_node([]) == []
    assert role_key([]) == []


# -- the drawing program ----------------------------------------------------------------------


def test_both_programs_draw_the_same_words(monkeypatch: pytest.MonkeyPatch) -> None:
    if shutil.which("dot") is None:
        pytest.skip("no system dot here")
    dot = digraph(["Title"], [node("a", label="one"), edge("a", "b", label="two")], {})
    found = []
    for name in render.PROGRAMS:
        monkeypatch.setenv("SAFETYMODEL_DOT", name)
        svg = render.svg(dot, "said")
        assert isinstance(svg, str)
        found.append(sorted(words(svg)))
    assert found[0] == found[1] == ["Title", "b", "one", "two"]


def test_the_pip_installed_program_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    found = render.drawing_program()
    assert found is not None
    assert found.name.startswith("graphviz-pure")
    monkeypatch.setattr(render, "_pure", lambda: None)
    monkeypatch.setattr(render, "_on_path", lambda name: Path("/x") / name)
    assert render.drawing_program() == Path("/x/dot")
    assert render.drawing_program("pure") is None


def test_pictures_are_tidy_and_always_the_same(program: str) -> None:
    dot = digraph(["T"], [edge("a", "b")], {})
    svg = render.svg(dot, 'a "quoted" <title>\x1b')
    assert isinstance(svg, str)
    assert svg == render.svg(dot, 'a "quoted" <title>\x1b')
    assert svg.endswith("</svg>\n")
    assert "<!" not in svg
    assert "<?" not in svg
    assert "raphviz" not in svg
    root = ElementTree.fromstring(svg)
    assert root.get("role") == "img"
    assert root.get("aria-label") == 'a "quoted" <title>'
    assert [e.text for e in root.iter(f"{SVG}title")] == ['a "quoted" <title>']  # and no internal names beside it


def test_no_program_is_a_problem_with_a_way_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render, "_pure", lambda: None)
    monkeypatch.setattr(render, "_on_path", lambda name: None)
    problem = render.svg("digraph {}")
    assert isinstance(problem, Problem)
    assert problem.slug == "no-drawing-program"
    assert problem.message == "neither graphviz-pure nor a system dot was found, so no picture can be drawn"
    assert problem.hint == "install it with: pip install graphviz-pure"
    monkeypatch.setenv("SAFETYMODEL_DOT", "system")
    problem = render.svg("digraph {}")
    assert isinstance(problem, Problem)
    assert problem.message == "a system dot was not found, so no picture can be drawn"
    monkeypatch.setenv("SAFETYMODEL_DOT", "other")
    problem = render.svg("digraph {}")
    assert isinstance(problem, Problem)
    assert problem.slug == "unknown-program"


def _pretend(monkeypatch: pytest.MonkeyPatch, path: Path, script: str) -> None:
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setattr(render, "_pure", lambda: path)


def test_a_slow_program_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _pretend(monkeypatch, tmp_path / "slow", "exec sleep 30")
    problem = render.svg("digraph {}", seconds=0.2)
    assert isinstance(problem, Problem)
    assert problem.slug == "drawing-too-slow"
    assert "0.2 s" in problem.message


def test_a_failing_program_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _pretend(monkeypatch, tmp_path / "bad", "echo out of ink >&2; exit 3")
    problem = render.svg("digraph {}")
    assert isinstance(problem, Problem)
    assert problem.slug == "drawing-failed"
    assert "out of ink" in problem.message
    (tmp_path / "none").write_text("not a program")
    monkeypatch.setattr(render, "_pure", lambda: tmp_path / "none")
    problem = render.svg("digraph {}")
    assert isinstance(problem, Problem)
    assert problem.slug == "drawing-failed"


def test_broken_dot_is_a_problem_not_a_crash(program: str) -> None:
    problem = render.svg("digraph { a -> ")
    assert isinstance(problem, Problem)
    assert problem.slug == "drawing-failed"


def test_writing_a_picture(tmp_path: Path) -> None:
    assert render.write("digraph { a }", tmp_path / "a.svg", "A") is None
    assert 'aria-label="A"' in (tmp_path / "a.svg").read_text()
    problem = render.write("digraph { a }", tmp_path / "no" / "a.svg")
    assert problem is not None
    assert problem.slug == "cannot-write"
