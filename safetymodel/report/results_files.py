"""Results of `verify` for other readers: JUnit XML for build servers, Markdown for reviews and merge requests."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from xml.sax.saxutils import escape, quoteattr

from safetymodel.claims.verdict import Judgement
from safetymodel.model.system import System
from safetymodel.problems import printable
from safetymodel.report.said import (
    CAUTION,
    RunView,
    UnreadView,
    broken_section,
    claim_text,
    one_line,
    shown_text,
    tally,
    verdict_notes,
)
from safetymodel.report.terminal import plain_lines
from safetymodel.traces.wording import counted, faults_text

Result = RunView | UnreadView


def junit_xml(results: Sequence[Result]) -> str:
    """One suite a spec, one test case a requirement and a scenario.

    A broken or empty requirement and a failed scenario are failures, an undecided one is an error: neither passes.
    A spec that could not be read is one case with an error.
    """
    suites = [_suite(result) for result in results]
    return "\n".join(['<?xml version="1.0" encoding="UTF-8"?>', "<testsuites>", *suites, "</testsuites>"]) + "\n"


def _suite(result: Result) -> str:
    if not isinstance(result, RunView):
        text = "\n".join(problem.as_text() for problem in result.problems)
        case = _case(result.file, "the spec", ("error", "it has problems", text))
        return _wrapped(result.file, [case], 1, 0, 1, 0.0)
    cases, failures, errors = [], 0, 0
    for judgement in result.judgements:
        outcome = _outcome(result.system, judgement)
        failures += outcome is not None and outcome[0] == "failure"
        errors += outcome is not None and outcome[0] == "error"
        text = one_line(judgement.requirement.text)
        name = f"{judgement.requirement.name}: {text}" if text else judgement.requirement.name
        cases.append(_case(f"{result.system.file}.requirements", name, outcome))
    for scenario in result.scenarios:
        failed = [step for step in scenario.steps if step.word == "failed"]
        failures += bool(failed)
        said = "\n".join(line for step in failed for line in (step.text, *step.said))
        wrong = ("failure", f"step {failed[0].text!r} does not work", said) if failed else None
        cases.append(_case(f"{result.system.file}.scenarios", scenario.scenario.name, wrong))
    for finding in result.findings:
        failures += 1
        cases.append(
            _case(f"{result.system.file}.findings", finding.slug, ("failure", finding.message, finding.message))
        )
    if result.shortfall or result.disagreement:
        errors += 1
        reason = result.disagreement or result.shortfall
        cases.append(_case(result.system.file, "everything was explored", ("error", reason, reason)))
    return _wrapped(result.system.file, cases, len(cases), failures, errors, result.seconds, shown_text(result))


def _outcome(system: System, judgement: Judgement) -> tuple[str, str, str] | None:
    if judgement.passes:
        return None
    notes = "; ".join(verdict_notes(system, judgement))
    message = f"{judgement.word} {faults_text(judgement.budget)}" + (f": {notes}" if notes else "")
    if judgement.word == "undecided":
        return "error", message, message
    if judgement.word == "broken":
        return "failure", message, "\n".join(_lines(system, judgement))
    return "failure", message, f"{claim_text(system, judgement.requirement)}\n{message}"


def _lines(system: System, judgement: Judgement) -> Iterator[str]:
    _, *blocks = broken_section(system, judgement)  # without the empty line before it
    for block in blocks:
        yield from plain_lines(block)


def _case(group: str, name: str, outcome: tuple[str, str, str] | None) -> str:
    head = f"<testcase classname={_quoted(group)} name={_quoted(name)}"
    if outcome is None:
        return f"  {head}/>"
    kind, message, text = outcome
    inside = f"<{kind} message={_quoted(message)}>{escape(printable(text))}</{kind}>"
    return f"  {head}>{inside}</testcase>"


def _wrapped(
    name: str, cases: Iterable[str], tests: int, failures: int, errors: int, seconds: float, out: str = ""
) -> str:
    head = f'<testsuite name={_quoted(name)} tests="{tests}" failures="{failures}" errors="{errors}" '
    told = [f"  <system-out>{escape(printable(f'{out} {CAUTION}'))}</system-out>"] if out else []
    return "\n".join([f'{head}skipped="0" time="{seconds:.3f}">', *cases, *told, "</testsuite>"])


def _quoted(text: str) -> str:
    return quoteattr(printable(one_line(text)))


# -- Markdown -------------------------------------------------------------------------------------


def markdown(results: Sequence[Result]) -> str:
    """Verdict table and runs of what is broken, in plain Markdown (CommonMark with tables)."""
    return "\n".join(line for result in results for line in _section(result))


def _section(result: Result) -> Iterator[str]:
    if not isinstance(result, RunView):
        yield f"# {plain_markdown(result.file)}: not verified"
        yield ""
        yield from _code("\n".join(problem.as_text() for problem in result.problems).splitlines())
        return
    system = result.system
    yield f"# {plain_markdown(system.title)}"
    yield ""
    if result.judgements:
        yield f"**{tally(result.judgements)}**"
        yield ""
        yield "| requirement | verdict | faults | what it says | hazards | source |"
        yield "| --- | --- | --- | --- | --- | --- |"
        for judgement in result.judgements:
            yield _row(system, judgement)
        yield ""
    for scenario in result.scenarios:
        word = "works" if scenario.ok else "**fails**"
        steps = counted(len(scenario.scenario.steps), "step")
        yield f"- scenario {plain_markdown(scenario.scenario.name)} {word} ({steps})"
    for finding in result.findings:
        yield f"- **{finding.slug}**: {plain_markdown(finding.message)}"
    if result.scenarios or result.findings:
        yield ""
    for judgement in result.judgements:
        if judgement.word == "broken":
            yield f"## {plain_markdown(judgement.requirement.name)} is broken"
            yield ""
            yield from _code(list(_lines(system, judgement)))
    if result.shortfall:
        yield f"**Not everything was explored:** {plain_markdown(result.shortfall)}"
        yield ""
    yield plain_markdown(shown_text(result))
    yield ""
    yield f"> {CAUTION}"
    yield ""


def _row(system: System, judgement: Judgement) -> str:
    requirement = judgement.requirement
    notes = "; ".join(verdict_notes(system, judgement))
    word = judgement.word if judgement.passes else f"**{judgement.word}**"
    says = one_line(requirement.text or requirement.wording) + (f" ({notes})" if notes else "")
    cells = (requirement.name, says, ", ".join(requirement.hazards), requirement.source)
    name, text, hazards, source = (plain_markdown(cell) for cell in cells)
    return f"| {name} | {word} | {judgement.budget} | {text} | {hazards} | {source} |"


def plain_markdown(text: str) -> str:
    """Text of a spec as it stands: no mark of it means anything to Markdown, nor to the HTML within it, nor calls
    anybody by name in a merge request."""
    line = printable(one_line(text))
    for mark, entity in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ("@", "&#64;"), ("://", "&#58;//")):
        line = line.replace(mark, entity)
    return "".join(f"\\{c}" if c in "\\`*_[]|~$" else c for c in line)


def _code(lines: Sequence[str]) -> Iterator[str]:
    """The lines as they stand, indented: whatever fence a text may hold ends nothing."""
    for line in lines:
        yield f"    {printable(line)}".rstrip()
    yield ""
