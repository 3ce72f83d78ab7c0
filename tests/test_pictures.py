"""The pictures under diagrams/ are what the specs give today, to the byte, and readable as they stand."""

from __future__ import annotations

import re
import shutil
from functools import cache
from importlib.metadata import version
from pathlib import Path
from xml.etree import ElementTree

import make_pictures
import pytest

from safetymodel.diagrams.style import contrast

DRAWN_BY = "0.2.2"
"""The version of graphviz-pure that drew them; another one may lay out differently."""
FEWEST = 25
SVG = "{http://www.w3.org/2000/svg}"


@cache
def kept() -> dict[str, str]:
    """The text of each picture of a spec in the repository, by its path under diagrams/; the growth curve is drawn
    from seconds that a benchmark measured."""
    folder = make_pictures.FOLDER
    return {path.relative_to(folder).as_posix(): path.read_text("utf-8") for path in sorted(folder.glob("*/*.svg"))}


def roots() -> list[tuple[str, ElementTree.Element]]:
    return [(name, ElementTree.fromstring(text)) for name, text in kept().items()]


def test_drawing_them_anew_gives_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What differs between machines must not matter: language, home, and which other programs there are.
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    monkeypatch.setenv("HOME", str(tmp_path / "nobody"))
    monkeypatch.setenv("PATH", "/nonexistent")
    monkeypatch.setenv("SAFETYMODEL_DOT", "system")
    written = make_pictures.make(tmp_path)
    drawn = {path.relative_to(tmp_path).as_posix(): path.read_text("utf-8") for path in written}
    assert len(drawn) == len(written) >= FEWEST
    assert sorted(drawn) == sorted(kept()), "run: python tests/make_pictures.py"
    differ = [name for name in drawn if drawn[name] != kept()[name]]
    installed = version("graphviz-pure")
    assert not differ, f"run: python tests/make_pictures.py (drawn by graphviz-pure {DRAWN_BY}, here is {installed})"


def test_nothing_of_the_machine_is_in_them() -> None:
    assert len(kept()) >= FEWEST
    for name, text in kept().items():
        assert not re.search(r"/home/|/root|/work|/tmp|/usr|\\Users|[Gg]raphviz|<!--|<!DOCTYPE|<\?xml", text), name
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "").replace("http://www.w3.org/1999/xlink", "")


def test_each_is_an_image_with_a_name() -> None:
    for name, root in roots():
        assert root.get("role") == "img", name
        title = root.find(f"{SVG}title")
        assert title is not None, name
        assert title.text, name
        assert root.get("aria-label") == title.text, name
        assert root.get("viewBox"), name


def test_words_are_large_and_dark_enough() -> None:
    """Success criterion 1.4.6 of WCAG 2.1 on white; 10 px is the least size of any word."""
    words = 0
    for name, root in roots():
        for element in root.iter(f"{SVG}text"):
            words += 1
            assert float(element.get("font-size", "12").removesuffix("px")) >= 10, (name, element.text)
            ink = element.get("fill", "#000000")
            ink = "#000000" if ink == "black" else ink
            if ink != "#ffffff":  # numbers of faults are white on the dark colour of faults
                assert contrast(ink, "#ffffff") >= 7, (name, element.text)
    assert words > 800


def test_a_stale_picture_is_taken_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "diagrams"
    shutil.copytree(make_pictures.FOLDER / "whimbrel-draft", folder / "whimbrel-draft")
    (folder / "whimbrel-draft" / "timing-OLD.svg").write_text("<svg/>")
    kept_too = folder / "whimbrel-draft" / "README.txt"
    kept_too.write_text("not a picture")
    few = (make_pictures.Wanted("textbook/railway-crossing-broken.yaml", broken=("R1",)),)
    monkeypatch.setattr(make_pictures, "FOLDER", folder)
    monkeypatch.setattr(make_pictures, "ROOT", tmp_path)
    shutil.copytree(Path(__file__).resolve().parent.parent / "specs", tmp_path / "specs")
    monkeypatch.setattr(make_pictures.make, "__defaults__", (few,))
    assert make_pictures.main() == 0
    assert [path.relative_to(folder).as_posix() for path in folder.rglob("*.svg")] == [
        "railway-crossing-broken/timing-R1.svg"
    ]
    assert kept_too.exists()


def test_what_cannot_be_drawn_is_told(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="graph-too-large"):
        make_pictures.make(tmp_path, (make_pictures.Wanted("two-door-hatch.yaml", whole=True),))
    with pytest.raises(RuntimeError, match="no counterexample"):
        make_pictures.make(tmp_path, (make_pictures.Wanted("two-door-hatch.yaml", broken=("R3",)),))
