"""What `verify` prints: in terminals of several widths, without colour, and in a pipe."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from worded_specs import HATCH_FILE, LOCK_GATE, POOL_LIFT

from safetymodel.claims.verdict import Judgement
from safetymodel.model.formula import InState
from safetymodel.pipeline import Counted, Run, Unread, verify
from safetymodel.problems import Problem
from safetymodel.report import terminal
from safetymodel.report.said import CAUTION, said_of, tally, verdict_notes
from safetymodel.span import Span

ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
BOX = re.compile(r"[\u2500-\u259f]")


class Screen(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


class AsciiPipe(io.TextIOWrapper):
    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="ascii", newline="")


@pytest.fixture(scope="module")
def hatch_run() -> Run:
    run = verify(str(HATCH_FILE))
    assert isinstance(run, Run)
    return run


@pytest.fixture(scope="module")
def run_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Run]:
    def make(text: str, **options: int) -> Run:
        path = tmp_path_factory.mktemp("spec") / "small.yaml"
        path.write_text(text, encoding="utf-8")
        run = verify(str(path), **options)  # type: ignore[arg-type]
        assert isinstance(run, Run), [p.message for p in run.problems]
        return run

    return make


@pytest.fixture(scope="module")
def lift_run(run_of: Callable[..., Run]) -> Run:
    return run_of(POOL_LIFT)


def printed(capsys: pytest.CaptureFixture[str], result: Run | Unread, quiet: bool = False) -> tuple[str, str]:
    capsys.readouterr()
    terminal.print_result(result, quiet=quiet)
    found = capsys.readouterr()
    return found.out, found.err


def on_screen(monkeypatch: pytest.MonkeyPatch, run: Run, width: int, quiet: bool = False) -> str:
    screen = Screen()
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.setattr(sys, "stderr", Screen())
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    terminal.print_result(run, quiet=quiet)
    return screen.getvalue()


def test_a_pipe_gets_plain_whole_lines(capsys: pytest.CaptureFixture[str], hatch_run: Run) -> None:
    out, err = printed(capsys, hatch_run)
    assert err == ""
    assert not ESCAPE.search(out)
    assert not BOX.search(out)
    lines = out.splitlines()
    place = hatch_run.system.requirements[0].span.short
    assert f"  never: not sealed  ({place})" in lines
    assert any(len(line) > 120 for line in lines), "a pipe must not be wrapped"
    assert all(line == line.rstrip() for line in lines)


def test_the_counts_are_those_of_the_walk_apart_from_the_project(
    capsys: pytest.CaptureFixture[str], hatch_run: Run
) -> None:
    # Source: a brute-force walk written apart from the project, as the page on the spec format gives it.
    out, _ = printed(capsys, hatch_run)
    assert "1,803 settled of 7,816 states without faults" in out
    assert "9,917 settled of 39,385 states with up to 1 fault" in out


def test_verdicts_stand_in_a_table_as_words(capsys: pytest.CaptureFixture[str], hatch_run: Run) -> None:
    lines = printed(capsys, hatch_run)[0].splitlines()
    rows = {line.split()[0]: line for line in lines if re.match(r"R\d  ", line)}
    assert rows["R1"].split()[1:3] == ["broken", "1"]
    assert "in 4 happenings, by " in rows["R1"]
    assert rows["R2"].split()[1:3] == ["holds", "0"]
    assert rows["R3"].split()[1:3] == ["reacts", "0"]
    assert "for at most 2 reaction steps" in rows["R3"]
    assert "3 requirements: 1 holds, 1 reacts, 1 is broken." in lines


def test_the_end_says_for_which_model_under_which_limits_and_defers(
    capsys: pytest.CaptureFixture[str], hatch_run: Run
) -> None:
    shown, caution = printed(capsys, hatch_run)[0].strip().splitlines()[-2:]
    assert hatch_run.system.file in shown
    assert hatch_run.system.sha256[:12] in shown
    assert "without faults and with up to 1 fault" in shown
    assert "time in ticks of 100 ms" in shown
    assert caution == CAUTION
    assert "licensed people" in caution


def test_nothing_is_ever_called_safe(
    capsys: pytest.CaptureFixture[str], hatch_run: Run, lift_run: Run, run_of: Callable[..., Run]
) -> None:
    for run in (hatch_run, lift_run, run_of(LOCK_GATE)):
        for quiet in (False, True):
            out, _ = printed(capsys, replace(run, system=replace(run.system, file="spec.yaml")), quiet)
            assert not re.search(r"\bsafe(ly|ty)?\b", out, re.IGNORECASE)


def test_quiet_keeps_verdicts_and_limits_but_no_traces(capsys: pytest.CaptureFixture[str], lift_run: Run) -> None:
    out, err = printed(capsys, lift_run, quiet=True)
    for row in ("P1 ", "P9 "):
        assert any(line.startswith(row) for line in out.splitlines())
    assert "Why" not in out
    assert "belt.close" not in out
    assert "scenario" not in out
    assert CAUTION in out
    assert re.search(r"\d+ warnings?, shown without --quiet", err)


def test_warnings_go_to_standard_error_with_their_place(capsys: pytest.CaptureFixture[str], lift_run: Run) -> None:
    out, err = printed(capsys, lift_run)
    assert lift_run.problems
    assert "warning:" in err
    assert "warning:" not in out
    assert f"{lift_run.problems[0].span}: warning:" in err


def test_what_could_not_be_read_is_said_on_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    result = verify("no-such-spec.yaml")
    assert isinstance(result, Unread)
    out, err = printed(capsys, result)
    assert out == ""
    assert err.splitlines()[-1] == "no-such-spec.yaml: not verified, 1 error"


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_terminal_is_never_overrun(
    monkeypatch: pytest.MonkeyPatch, hatch_run: Run, lift_run: Run, width: int
) -> None:
    for run in (hatch_run, lift_run):
        run = replace(run, system=replace(run.system, file="spec.yaml"))
        out = on_screen(monkeypatch, run, width)
        assert ESCAPE.search(out)
        plain = ESCAPE.sub("", out)
        longest = max(plain.splitlines(), key=len)
        assert len(longest) <= width, longest
        words = " ".join(plain.split())
        for judgement in run.judgements:
            assert re.search(rf"\b{judgement.requirement.name} +{judgement.word}\b", words)
        assert " ".join(CAUTION.split()) in words


@pytest.mark.parametrize("setting", [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_no_colour_means_no_escape_codes_and_still_wrapped_lines(
    monkeypatch: pytest.MonkeyPatch, hatch_run: Run, setting: tuple[str, str]
) -> None:
    screen = Screen()
    monkeypatch.setenv("COLUMNS", "70")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(*setting)
    terminal.show(said_of(replace(hatch_run, system=replace(hatch_run.system, file="spec.yaml"))), screen)
    out = screen.getvalue()
    assert not ESCAPE.search(out)
    assert not BOX.search(out)
    assert max(map(len, out.splitlines())) <= 70
    assert "broken" in out


@pytest.mark.parametrize("colour", [True, False])
def test_a_long_name_is_folded_and_never_crowds_out_the_verdict(
    monkeypatch: pytest.MonkeyPatch, run_of: Callable[..., Run], colour: bool
) -> None:
    name = "a_requirement_with_a_very_long_name_that_somebody_chose_for_reasons"
    run = run_of(POOL_LIFT.replace("  P1:", f"  {name}:"))
    run = replace(run, system=replace(run.system, file="spec.yaml"))
    if colour:
        out = ESCAPE.sub("", on_screen(monkeypatch, run, 60, quiet=True))
    else:
        screen = Screen()
        monkeypatch.setenv("COLUMNS", "60")
        monkeypatch.setenv("NO_COLOR", "1")
        terminal.show(said_of(run, quiet=True), screen)
        out = screen.getvalue()
    lines = out.splitlines()
    assert max(map(len, lines)) <= 60
    first = next(n for n, line in enumerate(lines) if line.startswith(name[:18]))
    assert lines[first].split()[1:3] == ["broken", "1"]
    folded = ""
    for line in lines[first:]:
        if line.startswith("P2"):
            break
        folded += line[:20].strip()
    assert folded == name


def test_markup_and_control_characters_of_a_spec_are_shown_as_they_stand(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], run_of: Callable[..., Run]
) -> None:
    text = POOL_LIFT.replace("text: Nobody moves unbelted,", 'text: "[red]bold[/red] \\e[2J :warning:",')
    run = run_of(text)
    for out in (printed(capsys, run)[0], ESCAPE.sub("", on_screen(monkeypatch, run, 120))):
        assert "[red]bold[/red] \\x1b[2J :warning:" in out
    assert "\x1b[2J" not in on_screen(monkeypatch, run, 120)
    pipe = io.StringIO()
    terminal.show(said_of(run), pipe)
    assert "\x1b" not in pipe.getvalue()


def test_a_stream_without_the_characters_gets_escapes_not_an_error(run_of: Callable[..., Run]) -> None:
    run = run_of(POOL_LIFT.replace("title: Pool lift", "title: Pool lift \u00e9\u6c34"))
    pipe = AsciiPipe()
    terminal.show(said_of(run), pipe)
    pipe.seek(0)
    assert "Pool lift \\xe9\\u6c34" in pipe.read()


def test_fewer_faults_than_have_to_be_withstood_are_said_at_the_verdict(
    capsys: pytest.CaptureFixture[str], run_of: Callable[..., Run]
) -> None:
    out, _ = printed(capsys, run_of(POOL_LIFT, faults=0))
    (row,) = [line for line in out.splitlines() if line.startswith("P1  ")]
    assert row.split()[1:3] == ["holds", "0"]
    assert "judged without faults only, though it has to withstand 1" in row
    (other,) = [line for line in out.splitlines() if line.startswith("P8  ")]
    assert "withstand" not in other


def test_notes_of_each_verdict(lift_run: Run) -> None:
    system, base = lift_run.system, lift_run.judgements[0]
    empty = replace(base, word="empty", trace=None, mention=InState(0, (0,)))
    assert verdict_notes(system, empty) == ["chair is up makes no difference"]
    accepted = replace(empty, requirement=replace(base.requirement, may_be_empty=True))
    assert verdict_notes(system, accepted)[-1] == "accepted by the spec: may_be_empty"
    late = next(j for j in lift_run.judgements if j.requirement.name == "P3")
    kept = replace(late, word="holds", trace=None, longest_wait=1)
    assert verdict_notes(system, kept) == ["takes at most 1 s of the 1 s allowed"]
    cut = Judgement(base.requirement, 1, "undecided", reason="500 states were reached")
    assert verdict_notes(system, cut) == ["500 states were reached"]


def test_the_tally_counts_every_verdict(lift_run: Run) -> None:
    base = lift_run.judgements[0]
    words = ("holds", "holds", "reacts", "broken", "empty", "undecided")
    judgements = [replace(base, word=word) for word in words]
    assert tally(judgements) == "6 requirements: 2 hold, 1 reacts, 1 is broken, 1 is empty, 1 is undecided."


def test_a_search_that_a_limit_ended_says_so(capsys: pytest.CaptureFixture[str], lift_run: Run) -> None:
    run = replace(lift_run, counts=((0, Counted(3, 5, False)),), shortfall="the limit of 5 states was reached")
    out, _ = printed(capsys, run)
    assert "3 settled of 5 states found before a limit ended the search without faults" in out
    assert "not everything was explored: the limit of 5 states was reached" in out


def test_scenarios_are_listed_and_failures_shown_step_by_step(
    capsys: pytest.CaptureFixture[str], lift_run: Run, run_of: Callable[..., Run]
) -> None:
    assert "scenario swim ok (7 steps)" in printed(capsys, lift_run)[0]
    failing = run_of(POOL_LIFT.replace("steps: [belt.close, chair.lower,", "steps: [chair.lower, belt.close,"))
    for quiet in (False, True):
        lines = [line.strip() for line in printed(capsys, failing, quiet)[0].splitlines()]
        assert "scenario swim failed (7 steps)" in lines
        assert any(re.match(r"failed +chair\.lower  \(.*:\d+\)", line) for line in lines)
        assert any("needs belt_closed, but it reads false (belt is loose)" in line for line in lines)
        assert any(re.match(r"not run +belt\.close", line) for line in lines)


def test_a_spec_without_requirements_and_with_chatter(
    capsys: pytest.CaptureFixture[str], run_of: Callable[..., Run]
) -> None:
    out, _ = printed(capsys, run_of(LOCK_GATE))
    assert "The spec makes no requirements" in out
    assert "chatter: the logic can go round automatic transitions for ever" in out
    assert "from here it goes round for ever:" in out
    assert "Explored: the model in " in out


def test_problems_are_plain_in_a_pipe_and_coloured_in_a_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = Problem("odd", Span("a.yaml", 3, 5, 4), "bad [bold]name[/bold] \x1b[2J", "mend it", "    name: x")
    terminal.print_problems((problem,))
    text = capsys.readouterr().err
    assert text == problem.as_text() + "\n"
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    terminal.print_problems((problem,))
    assert ESCAPE.sub("", screen.getvalue()) == text
    assert screen.getvalue() != text


def test_progress_is_silent_in_a_pipe(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terminal, "SPIN_AFTER", 0.0)
    with terminal.progress() as progress:
        progress("exploring", 5)
    assert capsys.readouterr().err == ""


def test_progress_shows_states_in_a_terminal_and_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(terminal, "SPIN_AFTER", 0.0)
    monkeypatch.setattr(terminal, "_REFRESH", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with terminal.progress() as progress:
        progress("exploring", 12345)
        progress("exploring", 23456)
    out = screen.getvalue()
    assert "exploring, 23,456 states" in out
    assert out.rstrip().endswith("\x1b[2K"), "the line is cleared at the end"


def test_a_short_run_shows_no_progress(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with terminal.progress() as progress:
        for count in range(1000):
            progress("exploring", count)
    assert screen.getvalue() == ""


def test_a_pipe_never_loads_rich(tmp_path: Path) -> None:
    program = (
        "import sys\n"
        "from safetymodel.report import terminal\n"
        "from safetymodel.pipeline import verify\n"
        f"with terminal.progress() as progress: run = verify({str(tmp_path / 'pool.yaml')!r}, progress=progress)\n"
        "terminal.print_result(run)\n"
        "sys.exit('rich' in sys.modules)\n"
    )
    (tmp_path / "pool.yaml").write_text(POOL_LIFT, encoding="utf-8")
    here = Path(__file__).parent.parent
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=here)
    assert done.returncode == 0, done.stderr
    assert "P1" in done.stdout
