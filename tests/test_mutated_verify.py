"""What survives of a thousand damaged specs is verified: a verdict, never an exception, never over ten seconds."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from test_mutated_texts import COUNT, PARTS, mutated

from safetymodel import pipeline
from safetymodel.explore.engine import Limits
from safetymodel.model.build import load_text
from safetymodel.report import terminal


@pytest.mark.parametrize("part", range(PARTS))
def test_survivors_get_verdicts(part: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "mutated.yaml"
    verified = 0
    for seed in range(part, COUNT, PARTS):
        text = mutated(seed)
        system, _ = load_text(text, "mutated.yaml")
        if system is None:
            continue
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        begun = time.process_time()
        result = pipeline.verify(str(path), limits=Limits(seconds=6), second_opinion="off")
        assert isinstance(result, pipeline.Run), seed
        terminal.print_result(result)
        pipeline.results_json([result])
        assert time.process_time() - begun < 10, seed
        assert pipeline.exit_code([result]) in (0, 1, 3)
        assert len(result.judgements) == len(system.requirements)
        shown = capsys.readouterr().out
        assert all(j.word in shown for j in result.judgements), seed
        verified += 1
    assert verified >= 5, "too few survive to mean anything"
