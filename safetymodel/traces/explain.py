"""A verdict explained to people: what happened, step by step, and why the claim is broken by it."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.claims.verdict import Finding, Judgement, Trace
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import System
from safetymodel.traces.blocked import attempt_words, why_blocked
from safetymodel.traces.fold import Group, folded
from safetymodel.traces.truth import Line, Role
from safetymodel.traces.why import why_lines
from safetymodel.traces.wording import (
    and_list,
    change_texts,
    counted,
    faults_text,
    formula_text,
    step_text,
    ticks_text,
    transition_text,
)

__all__ = [
    "Explanation",
    "Line",
    "attempt_words",
    "explain",
    "explain_finding",
    "judgement_words",
    "run_lines",
    "why_blocked",
    "why_lines",
]


@dataclass(frozen=True, slots=True)
class Explanation:
    """``summary`` is one sentence, ``run`` the trace line by line, ``why`` the reasons."""

    summary: str
    run: tuple[Line, ...]
    why: tuple[Line, ...]


def explain(system: System, judgement: Judgement) -> Explanation:
    """The whole explanation of a verdict; without a trace, ``run`` is empty."""
    run = run_lines(system, judgement.trace) if judgement.trace is not None else ()
    return Explanation(judgement_words(system, judgement), run, why_lines(system, judgement))


def explain_finding(system: System, finding: Finding) -> Explanation:
    """A defect that needs no requirement, with its run; the round that never ends is marked."""
    why: list[Line] = []
    if finding.lasso is not None:
        members = tuple(dict.fromkeys(system.transitions[s.number] for s in finding.trace.steps[finding.lasso :]))
        why.append(Line("why", f"it goes round {counted(len(members), 'transition')} that nothing ends:"))
        why.extend(Line("part", transition_text(system, t), 1, place=t.span.short) for t in members)
    return Explanation(finding.message, run_lines(system, finding.trace, finding.lasso), tuple(why))


_ROLES: dict[str, Role] = {"event": "happening", "fault": "fault", "jump": "fault", "time": "time", "tick": "time"}


def run_lines(system: System, trace: Trace, lasso: int | None = None) -> tuple[Line, ...]:
    """Numbered happenings, what each changed, and the reactions that it caused. ``lasso`` is the
    position of the step from which the run goes round for ever."""
    lines: list[Line] = []
    for group in folded(trace):
        position, state = group.position, group.landed
        if group.step is not None:
            if position == lasso:
                lines.append(_round_mark(0))
            lines.append(_happening_line(system, group))
            lines.extend(Line("change", text, 1) for text in change_texts(system, group.before, group.landed))
            position += max(group.ticks, 1)
        elif group.reactions:
            lines.append(Line("note", "before anything happens, the logic settles"))
        for reaction in group.reactions:
            if position == lasso:
                lines.append(_round_mark(1))
            place = system.transitions[reaction.number].span.short
            lines.append(Line("reaction", f"then {step_text(system, reaction, state)}", 1, place=place))
            state, position = reaction.after, position + 1
    if not trace.steps:
        lines.append(Line("note", "nothing has to happen: it is so from the start"))
    return tuple(lines)


def _round_mark(depth: int) -> Line:
    return Line("round", "from here it goes round for ever:", depth)


def _happening_line(system: System, group: Group) -> Line:
    assert group.step is not None
    number = str(group.first) if group.first == group.last else f"{group.first}-{group.last}"
    text = step_text(system, group.step, group.before, group.ticks)
    return Line(_ROLES[group.step.kind], text, 0, number)


def judgement_words(system: System, judgement: Judgement) -> str:
    """The verdict in one sentence, with what there is to say about it."""
    requirement = judgement.requirement
    match judgement.word:
        case "holds":
            text = f"holds {faults_text(judgement.budget)}"
            if judgement.longest_wait is not None and requirement.within is not None:
                wait = ticks_text(system, judgement.longest_wait)
                text += f"; lasts at most {wait} of the {ticks_text(system, requirement.within)} allowed"
        case "reacts":
            text = f"true in every settled state {faults_text(judgement.budget)}"
            if judgement.moment is not None and judgement.moment.steps is None:
                text += "; broken while the logic reacts, without end"
            elif judgement.moment is not None:
                steps = counted(judgement.moment.steps or 0, "reaction step")
                text += f"; broken for a moment while the logic reacts, at most {steps}, of no model time"
        case "broken":
            text = f"broken {faults_text(judgement.budget)}"
            if judgement.trace is not None:
                text += f" in {counted(judgement.trace.happenings, 'happening')}"
                up = [system.faults[n].name for n in fault_numbers(judgement.trace.end.flags)]
                if up:
                    text += f", by {and_list(up)}"
            elif requirement.form == "possible":
                text = f"not possible {faults_text(judgement.budget)}"
        case "empty":
            text = "true, but says nothing"
            if judgement.mention is not None:
                mention = formula_text(system, judgement.mention)
                text += f": {mention} makes no difference, the claim is true whatever that part is"
            elif judgement.idle:
                text += f": {judgement.idle}"
            if requirement.may_be_empty:
                text += " (accepted by `may_be_empty: true`)"
        case "undecided":
            text = "undecided, which is never a pass"
    return f"{text}; {judgement.reason}" if judgement.reason else text
