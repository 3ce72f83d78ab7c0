"""The starter spec: a newcomer's first answers are all good, whatever title was given."""

from __future__ import annotations

from pathlib import Path

import pytest

from safetymodel.model.build import load_text
from safetymodel.pipeline import verify
from safetymodel.spec.starter import starter_text


@pytest.mark.parametrize(
    "title",
    [
        "Kiln",
        'a "quoted" title',
        "a: b # c",
        "\\",
        "x\nsafetymodel: 2",
        "]}{[&*!|>%@`",
        "\x1b[31mred\x00",
        "é 漢 \u202e\u2028",
        "@TITLE@",
    ],
)
def test_any_title_is_read_back(title: str) -> None:
    system, problems = load_text(starter_text(title), "new.yaml")
    assert system is not None
    assert not problems, [p.as_text() for p in problems]
    kept = "".join(c for c in " ".join(title.split()) if c.isprintable()).strip()
    assert system.title == kept


@pytest.mark.parametrize("title", ["", " \n", "\x00"])
def test_no_title_gets_one(title: str) -> None:
    system, _ = load_text(starter_text(title), "new.yaml")
    assert system is not None
    assert system.title


def test_everything_passes(tmp_path: Path) -> None:
    path = tmp_path / "new.yaml"
    path.write_text(starter_text("Kiln"), encoding="utf-8")
    run = verify(str(path))
    assert not run.problems
    assert len(run.judgements) >= 5
    assert {j.word for j in run.judgements} == {"holds"}
