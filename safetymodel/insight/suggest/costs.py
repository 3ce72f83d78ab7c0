"""What extra conditions change besides: other requirements, scenarios, and events that can move nobody any more."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import judge
from safetymodel.claims.verdict import Judgement, Trace, Word
from safetymodel.explore.engine import LimitReached, Space, going_round
from safetymodel.insight.standing import RANK, word_of
from safetymodel.insight.suggest.suggested import Changed, Failing, Suggestion
from safetymodel.model.able import event_possible
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import System
from safetymodel.traces.scenarios import run_scenario
from safetymodel.traces.wording import and_list, counted, formula_text, ticks_text

Spaces = Mapping[int, Space[Any]]
"""The states for each fault budget that a requirement has to withstand."""


def with_costs(
    found: Suggestion,
    spaces: Spaces,
    after: Spaces,
    before: Mapping[str, Judgement],
    clock: Clock,
    first_only: bool = False,
) -> Suggestion:
    """What else becomes worse or better, which scenarios fail, whether the logic can now go round for ever, and which
    events can move nothing any more. With ``first_only`` no further than to the first
    requirement that becomes worse."""
    system = spaces[0].system
    changes: list[tuple[Changed, bool]] = []
    blocks = False
    for requirement in system.requirements:
        if requirement is not found.requirement:
            space = after[requirement.withstand]
            word = word_of(space, requirement, clock)
            blocks |= requirement.form == "always_possible" and word == "broken"
            changes += _changes(space, before[requirement.name], word, clock)
            if first_only and changes and changes[-1][1]:
                return replace(found, worse=(changes[-1][0],))
    most = max(spaces)
    assert found.changed is not None
    return replace(
        found,
        blocks=blocks,
        worse=tuple(change for change, worse in changes if worse),
        better=tuple(change for change, worse in changes if not worse),
        failing=tuple(_failing(system, found.changed, clock)),
        chatters=_goes_round(after[most]) and not _goes_round(spaces[most]),
        idle=tuple(sorted(_moving(spaces[most]) - _moving(after[most]))),
    )


def _changes(space: Space[Any], old: Judgement, word: Word, clock: Clock) -> Iterator[tuple[Changed, bool]]:
    """The change of one requirement, and whether it is for the worse. With the same verdict it is worse where fewer
    faults or happenings break it, or where a reaction or a wait can last longer."""
    requirement = old.requirement
    if RANK[word] != RANK[old.word]:
        said = f"was {old.word} and becomes {word}"
        yield Changed(requirement, old.word, word, said), RANK[word] < RANK[old.word]
    elif old.trace is not None or old.moment is not None or old.longest_wait is not None:
        new = judge(space, requirement, clock)
        if new.word == "undecided":
            raise LimitReached(new.reason)
        said = _longer(space.system, old, new)
        if said:
            yield Changed(requirement, old.word, new.word, said), True


def _longer(system: System, old: Judgement, new: Judgement) -> str:
    """How the same verdict is a worse one; empty where it is not."""
    if old.trace is not None and new.trace is not None and _size(new.trace) < _size(old.trace):
        return f"is broken {_by(system, new.trace)}; before only {_by(system, old.trace)}"
    if old.moment is not None and new.moment is not None and old.moment.steps is not None:
        if new.moment.steps is None:
            return "is broken without end while the logic reacts"
        if new.moment.steps > old.moment.steps:
            return f"is broken for up to {counted(new.moment.steps, 'reaction step')}; before {old.moment.steps}"
    if old.longest_wait is not None and new.longest_wait is not None and new.longest_wait > old.longest_wait:
        return f"takes up to {ticks_text(system, new.longest_wait)}; before {ticks_text(system, old.longest_wait)}"
    return ""


def _size(trace: Trace) -> tuple[int, int]:
    return len(fault_numbers(trace.end.flags)), trace.happenings


def _by(system: System, trace: Trace) -> str:
    up = [system.faults[number].name for number in fault_numbers(trace.end.flags)]
    return f"{f'by {and_list(up)}' if up else 'without any fault'} in {counted(trace.happenings, 'happening')}"


def _failing(system: System, changed: System, clock: Clock) -> Iterator[Failing]:
    """The scenarios that worked and no longer do."""
    for old, scenario in zip(system.scenarios, changed.scenarios, strict=True):
        clock.check()
        result = run_scenario(changed, scenario)
        if not result.ok and run_scenario(system, old).ok:
            step = next(step for step in result.steps if not step.ok)
            yield Failing(scenario, step.text, step.span, step.said[0])


def _goes_round(space: Space[Any]) -> bool:
    """Whether the logic can go round automatic transitions for ever."""
    return not space.is_empty(going_round(space, space.transient))


def _moving(space: Space[Any]) -> set[int]:
    """The events that can move something somewhere."""
    return {
        e.number
        for e in space.system.events
        if not space.is_empty(space.common(space.settled, space.where(event_possible(space.system, e))))
    }


def standing_text(system: System, judgement: Judgement) -> str:
    """What has to be said beside the verdict's word, short; mostly nothing."""
    if judgement.word == "empty":
        if judgement.mention is not None:
            return f"`{formula_text(system, judgement.mention)}` makes no difference in it"
        return judgement.idle
    if judgement.moment is not None and judgement.moment.steps is not None:
        return f"broken only while the logic reacts, for at most {counted(judgement.moment.steps, 'reaction step')}"
    if judgement.longest_wait:
        return f"takes at most {ticks_text(system, judgement.longest_wait)}"
    return ""
