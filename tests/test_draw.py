"""Drawing into a folder: which files, what is refused, and that a failed picture costs no other one."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import pytest
import worded_specs

from safetymodel import pipeline
from safetymodel.cli import main
from safetymodel.diagrams import draw as draw_room
from safetymodel.diagrams.draw import KINDS, draw_all
from safetymodel.explore.engine import Limits
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.model.system import System
from safetymodel.problems import Problem, errors

SMALL = """\
safetymodel: 1
title: Two cupboards
subsystems:
  bolt:
    role: actuator
    states: [in, out]
    events: {turn: {by: clerk}}
    transitions:
      - {from: in, to: out, on: turn}
      - {from: out, to: in, on: turn, if: shut}
  door:
    role: barrier
    instances: [left, right]
    states: [closed, open]
    events: {pull: {}, push: {}}
    transitions:
      - {from: closed, to: open, on: pull, physically: bolt is out}
      - {from: open, to: closed, on: push}
signals:
  shut: {reads: every door is closed}
"""


@cache
def small() -> System:
    return worded_specs.system_of(SMALL)


@cache
def space() -> ProductSpace:
    return ProductSpace(Product(small(), 0))


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """No drawing program is run: the DOT text itself is taken for the picture, and kept here in any order."""
    seen: list[str] = []

    def pretend(dot: str, title: str = "") -> str:
        seen.append(dot)
        return f"{title}\n{dot}"

    monkeypatch.setattr(draw_room, "svg", pretend)
    return seen


def names(paths: list[Path]) -> list[str]:
    return [path.name for path in paths]


def test_every_picture_is_a_file_of_valid_svg(tmp_path: Path) -> None:
    paths, problems = draw_all(small(), tmp_path / "new" / "folder", space=space())
    assert not problems
    assert names(paths) == ["state-bolt.svg", "state-door.svg", "interlock-map.svg", "product.svg"]
    for path in paths:
        root = ElementTree.fromstring(path.read_text(encoding="utf-8"))
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.get("role") == "img"
    assert sorted(os.listdir(tmp_path / "new" / "folder")) == sorted(names(paths))  # and nothing half written
    drawn = "".join(ElementTree.fromstring(paths[0].read_text()).itertext())
    assert "on turn (by clerk)" in drawn
    assert "if shut" in drawn


def test_the_command_s_own_road(tmp_path: Path) -> None:
    paths, problems = pipeline.draw(small(), tmp_path, ("map", "product"), ("bolt", "door"))
    assert not problems
    assert names(paths) == ["interlock-map-bolt-door.left-door.right.svg", "product-bolt-door.left-door.right.svg"]


def test_only_draws_what_is_named(tmp_path: Path, undrawn: list[str]) -> None:
    paths, problems = draw_all(small(), tmp_path, ("states", "product"), ("door.right",), space=space())
    assert not problems
    assert names(paths) == ["state-door.svg", "product-door.right.svg"]  # the diagram of a family stands for all of it
    assert any("seen through door.right" in dot for dot in undrawn)
    paths, _ = draw_all(small(), tmp_path, ("states",), ("bolt",))
    assert names(paths) == ["state-bolt.svg"]


def test_instances_that_differ_keep_their_own_names(tmp_path: Path, undrawn: list[str]) -> None:
    text = SMALL.replace("open, to: closed, on: push}", "open, to: closed, on: push, if: door.left is open}")
    paths, _ = draw_all(worded_specs.system_of(text), tmp_path, ("states",))
    assert names(paths) == ["state-bolt.svg", "state-door.left.svg", "state-door.right.svg"]


def test_timing_charts_of_traces(tmp_path: Path) -> None:
    system = worded_specs.system_of(worded_specs.POOL_LIFT)
    trace = worded_specs.judged(system, "P3").trace
    assert trace is not None
    runs = [("P3", trace, "P3: soon"), ("run", trace, "A run")]
    paths, problems = draw_all(system, tmp_path, ("timing",), traces=runs)
    assert not problems
    assert names(paths) == ["timing-P3.svg", "timing-run.svg"]
    assert ">breach<" in paths[0].read_text()
    assert ">breach<" not in paths[1].read_text()


@pytest.mark.parametrize(
    ("what", "only", "slug", "said", "hint"),
    [
        (("states", "mapp"), None, "unknown-picture", "mapp", "did you mean map?"),
        (("x\x1b[31m",), None, "unknown-picture", "\\x1b", "known: states, map, product, timing"),
        ((), None, "nothing-named", "--what", "known: states, map, product, timing"),
        (("states",), ("bolt", "dor.left"), "unknown-name", "dor.left", "did you mean door.left?"),
        (("states",), ("dooor",), "unknown-name", "dooor", "did you mean door?"),
        (("states",), (), "nothing-named", "--only", "name some: --only a,b"),
    ],
)
def test_a_wrong_name_is_told_and_nothing_is_drawn(
    tmp_path: Path, what: tuple[str, ...], only: tuple[str, ...] | None, slug: str, said: str, hint: str
) -> None:
    paths, problems = draw_all(small(), tmp_path / "out", what, only)
    assert not paths
    assert not (tmp_path / "out").exists()
    (problem,) = problems
    assert problem.slug == slug
    assert said in problem.message
    assert "\x1b" not in problem.message
    assert problem.hint == hint
    assert errors(problems)


def test_a_large_product_graph_is_refused(tmp_path: Path, undrawn: list[str]) -> None:
    hatch = worded_specs.hatch()
    large = ProductSpace(Product(hatch, 0))
    paths, (problem,) = draw_all(hatch, tmp_path, ("product",), space=large)
    assert not paths
    assert problem.slug == "graph-too-large"
    assert "7,816" in problem.message
    assert "--only a,b" in problem.hint
    assert errors([problem])
    # Among other pictures it is only left out.
    paths, (problem,) = draw_all(hatch, tmp_path, KINDS, space=large)
    assert "interlock-map.svg" in names(paths)
    assert problem.slug == "graph-too-large"
    assert not errors([problem])


def test_an_unfinished_search_is_never_drawn_as_if_whole(tmp_path: Path, undrawn: list[str]) -> None:
    hatch = worded_specs.hatch()
    cut = ProductSpace(Product(hatch, 0, Limits(states=300)))
    assert not cut.complete
    for only in (None, ("panel",)):
        paths, (problem,) = draw_all(hatch, tmp_path, ("product",), only, space=cut)
        assert not paths
        assert problem.slug == "graph-too-large"
    assert "the limit of 300 states" in problem.message
    assert not undrawn


def test_product_without_states_is_our_mistake(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="explored"):
        draw_all(small(), tmp_path, ("product",))


def test_the_same_failure_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SAFETYMODEL_DOT", "nonsense")
    paths, problems = draw_all(small(), tmp_path, ("states", "map"))
    assert not paths
    assert [problem.slug for problem in problems] == ["unknown-program"]


def test_one_bad_picture_costs_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails_for_the_bolt(dot: str, title: str = "") -> str | Problem:
        return Problem("drawing-failed", draw_room.NOWHERE, "no") if title.startswith("bolt") else title

    monkeypatch.setattr(draw_room, "svg", fails_for_the_bolt)
    paths, problems = draw_all(small(), tmp_path, ("states", "map"))
    assert names(paths) == ["state-door.svg", "interlock-map.svg"]
    assert [problem.slug for problem in problems] == ["drawing-failed"]


def test_a_folder_that_cannot_be_made_and_a_file_that_cannot_be_written(tmp_path: Path, undrawn: list[str]) -> None:
    (tmp_path / "file").write_text("in the way")
    paths, (problem,) = draw_all(small(), tmp_path / "file", ("map",))
    assert not paths
    assert problem.slug == "cannot-write"
    assert not undrawn
    (tmp_path / "out" / "interlock-map.svg").mkdir(parents=True)
    paths, (problem,) = draw_all(small(), tmp_path / "out", ("states", "map"))
    assert names(paths) == ["state-bolt.svg", "state-door.svg"]
    assert problem.slug == "cannot-write"
    assert sorted(os.listdir(tmp_path / "out")) == ["interlock-map.svg", "state-bolt.svg", "state-door.svg"]


def test_file_names_stay_in_the_folder_and_apart(tmp_path: Path, undrawn: list[str]) -> None:
    system = small()
    bolt, *others = system.subsystems
    hostile = replace(
        system,
        subsystems=tuple(
            replace(s, name=name, family=None, instance=None)
            for s, name in zip((bolt, *others), ("../../etc/Bolt", "..\\..\\etc/bolt", "b" * 500), strict=True)
        ),
        families=(),
    )
    paths, problems = draw_all(hostile, tmp_path / "out", ("states",))
    assert not problems
    assert all(path.parent == tmp_path / "out" for path in paths)
    assert names(paths)[0] == "state-.._.._etc_Bolt.svg"
    assert names(paths)[1] == "state-.._.._etc_bolt-2.svg"  # apart where a disk knows no upper and lower case
    assert len(paths[2].name) < 100
    assert os.listdir(tmp_path) == ["out"]


def test_a_mistake_of_the_call_comes_alone_and_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("safetymodel.pipeline.draw", lambda *given: pytest.fail("the states were explored before"))
    path = tmp_path / "lamp.yaml"
    path.write_text((Path(__file__).resolve().parent / "bad_specs" / "warn_reads_directly.yaml").read_text())
    with pytest.raises(SystemExit) as ended:
        main(["draw", str(path), "--only", "lamp,lmp", "--what", "stats", "--out", str(tmp_path / "pictures")])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert "there is no subsystem or family lmp" in said
    assert "there is no picture stats" in said
    assert "warning" not in said
    assert not (tmp_path / "pictures").exists()
