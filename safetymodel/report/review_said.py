"""What is said about a review, as lines and tables without any look."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from safetymodel.claims.verdict import Attempt, Trace
from safetymodel.insight.defects import Defect
from safetymodel.insight.matrix import Matrix
from safetymodel.insight.review import Review
from safetymodel.insight.suggest.sentences import kind_text
from safetymodel.insight.suggest.suggested import Suggestion
from safetymodel.model.state import State, changes
from safetymodel.model.system import System
from safetymodel.report.matrix_words import (
    active_text,
    causes_told,
    cell_words,
    effect_text,
    lettered,
    still_names,
    weight,
)
from safetymodel.report.necessity_said import necessity_section
from safetymodel.report.response_said import response_section
from safetymodel.report.review_glance import at_a_glance, standing
from safetymodel.report.said import (
    CAUTION,
    Block,
    Piece,
    Words,
    one_line,
    run_words,
    seconds_text,
)
from safetymodel.traces.blocked import attempt_words
from safetymodel.traces.explain import run_lines
from safetymodel.traces.fold import folded
from safetymodel.traces.truth import Line
from safetymodel.traces.wording import (
    and_list,
    counted,
    duration_text,
    faults_text,
    move_text,
    short_name,
    state_text,
    transition_text,
)

MOST_NAMES = 400


def said_of_review(review: Review, quiet: bool = False) -> Iterator[Block]:
    """Everything about a review, in reading order; with ``quiet`` no runs, and of the matrix only its size."""
    system = review.system
    yield Words(((system.title, "strong"), (f"  {system.file}", "quiet")))
    yield from at_a_glance(review)
    if review.defects is not None:
        yield from defects_section(review, quiet)
    if review.suggestions is not None:
        yield from suggestions_section(review, review.suggestions, quiet)
    if review.necessity is not None:
        yield from necessity_section(review.necessity, quiet)
    if review.response is not None:
        yield from response_section(review, quiet)
    if review.matrix is not None:
        yield from matrix_section(system, review.matrix, quiet)
    yield from _end(review)


def heading(text: str) -> Iterator[Block]:
    yield None
    yield Words(((text, "strong"),))


# -- defects ------------------------------------------------------------------------------------

TITLES = {
    "never-settles": "never settles",
    "chatter": "chatter",
    "race": "race",
    "ambiguous": "ambiguous",
    "stuck": "stuck",
    "dead-state": "dead state",
    "dead-transition": "dead transition",
    "dead-event": "dead event",
    "idle-condition": "condition that never blocks",
}


def defects_section(review: Review, quiet: bool) -> Iterator[Block]:
    assert review.defects is not None
    yield from heading("Defects that need no requirement")
    for defect in review.defects.found:
        yield from _defect(review.system, defect, quiet)
    looked = faults_text(review.defects.budget)
    if not review.defects.found and not review.defects.undecided:
        text = f"none: no chatter, race, ambiguity, stuck state or dead part was found {looked}"
        yield Words(((text, "good"),), 2)
    elif not review.defects.found:
        yield Words((("none among what could be looked at", "doubt"),), 2)


def defect_text(system: System, defect: Defect) -> str:
    """What is wrong, in one sentence."""
    moves = [move_text(system, system.transitions[t]) for t in defect.transitions]
    match defect.kind:
        case "never-settles":
            return "the initial state never settles: the logic goes round automatic transitions for ever"
        case "chatter":
            return f"the logic can go round for ever: {', '.join(moves)}"
        case "race":
            return f"{' and '.join(moves)} are due at once, and their order decides where the logic settles"
        case "ambiguous":
            targets = {system.transitions[t].target for t in defect.transitions}
            same = ", which makes no difference to where it goes" if len(targets) == 1 else ""
            event = system.events[defect.event or 0].name
            return f"{event} lets {' and '.join(moves)} happen: either is taken{same}"
        case "stuck":
            return "from here no event can happen, neither now nor after any time"
        case "dead-state":
            assert defect.subsystem is not None
            assert defect.state is not None
            this = system.subsystems[defect.subsystem]
            return f"{this.name} is never {this.states[defect.state]}"
        case "dead-transition":
            on = f" on {system.events[defect.event].name}" if defect.event is not None else ""
            return f"{and_list(moves)}{on} {'is' if len(moves) == 1 else 'are'} never taken"
        case "dead-event":
            return f"{system.events[defect.event or 0].name} never moves anything"
        case _:
            return f"the `{defect.condition}` of {and_list(moves)} is true whenever all else is there"


def _defect(system: System, defect: Defect, quiet: bool) -> Iterator[Block]:
    places = and_list([place.short for place in defect.places])
    bad = defect.kind in ("never-settles", "chatter", "race", "stuck")
    under = f" ({faults_text(defect.budget)})" if defect.budget else ""
    title: Piece = (f"{TITLES[defect.kind]}{under}: ", "bad" if bad else "doubt")
    yield Words((title, (defect_text(system, defect), ""), (f"  ({places})", "quiet")), 2)
    if quiet:
        return
    if not defect.runs:
        if defect.ran_out:
            yield Words(
                (("no run to it was found in the time for that; `--runs always` takes what it needs", "quiet"),), 4
            )
        return
    if defect.kind == "race":
        yield from _race(system, defect.runs)
    elif bad or defect.kind == "ambiguous":
        for line in run_lines(system, defect.runs[0], defect.lasso):
            yield _indented(line)
        if defect.kind == "stuck":
            yield Words(((f"there {_states(system, defect.runs[0].end)}", ""),), 4)
    else:
        yield from _nearest(system, defect)


def _indented(line: Line) -> Words:
    words = run_words(line)
    return Words(words.pieces, words.indent + 2, words.hang)


def _race(system: System, runs: tuple[Trace, ...]) -> Iterator[Block]:
    """The common run, then both orders with where they end."""
    one, other = runs
    common = 0
    while one.steps[common] == other.steps[common]:
        common += 1
    for line in run_lines(system, Trace(one.start, one.steps[:common])):
        yield _indented(line)
    differing = [number for number, _, _ in changes(one.end, other.end)]
    for name, trace in (("one order", one), ("the other", other)):
        taken = [transition_text(system, system.transitions[s.number]) for s in trace.steps[common:]]
        ends = [state_text(system, trace.end, number) for number in differing]
        end = and_list(ends) or "in the same states, but with other clocks"
        yield Words(((f"{name}: ", "strong"), (f"{', then '.join(taken)}; settles with {end}", "")), 6, 4)


def _states(system: System, state: State) -> str:
    return and_list([state_text(system, state, s.number) for s in system.subsystems])


def _nearest(system: System, defect: Defect) -> Iterator[Block]:
    trace = defect.runs[0]
    here = [
        t
        for t in defect.transitions
        if trace.end.states[system.transitions[t].subsystem] == system.transitions[t].source
    ]
    if defect.kind == "idle-condition" or not here:
        names = [short_name(system, group.step, group.ticks) for group in folded(trace) if group.step]
        where = f"after {', '.join(names)}" if names else "at the start"
        told = "it is asked, for example, " if defect.kind == "idle-condition" else "nearest: "
        yield Words(((f"{told}{where}", ""),), 4)
    else:
        yield Words(((f"nearest {attempt_words(system, Attempt(trace, here[0]))}", ""),), 4)


# -- suggestions --------------------------------------------------------------------------------


def suggestions_section(review: Review, suggestions: tuple[Suggestion, ...], quiet: bool) -> Iterator[Block]:
    """For each broken requirement the conditions that would make it pass, with what they cost."""
    system = review.system
    yield from heading("Suggested conditions")
    if not suggestions:
        judged = counted(len(review.judgements), "requirement")
        text, style = standing(review.judgements)
        needed = "none was looked for" if any(j.word == "undecided" for j in review.judgements) else "none are needed"
        yield Words(((f"{needed}: of {judged} {text}", style if review.judgements else ""),), 2)
        return
    for found in suggestions:
        text = one_line(found.requirement.text or found.requirement.wording)
        kind = f", {kind_text(found)}" if kind_text(found) else ""
        yield Words(
            (
                (found.requirement.name, "strong"),
                (f" is {found.before}{kind}: ", "bad"),
                (text, ""),
                (f"  ({found.requirement.span.short})", "quiet"),
            ),
            2,
        )
        for sentence in found.sentences:
            yield Words(((sentence, ""),), 4)
        if found.way is not None and not quiet:
            for line in run_lines(found.changed or system, found.way):
                yield _indented(line)


# -- matrix -------------------------------------------------------------------------------------


def matrix_section(system: System, matrix: Matrix, quiet: bool) -> Iterator[Block]:
    """What does what to each effect, grouped; the table itself is a file of its own."""
    yield from heading("Causes and effects")
    told = lettered(system, matrix)
    about = (
        f"{counted(len(matrix.causes), 'cause')}, {counted(len(matrix.effects), 'effect')}, over "
        f"{counted(matrix.situations, 'situation')} without faults; `--matrix FILE.html` or `.csv` writes the table"
    )
    yield Words(((about, "quiet"),), 2)
    if not matrix.effects:
        yield Words((("no effects: give a subsystem `role: actuator`, or declare `functions:`", "doubt"),), 2)
        return
    if quiet:
        return
    for column, effect in enumerate(matrix.effects):
        text = effect_text(effect)
        more = f" ({text})" if text != effect.name.replace("_", " ") else ""
        yield Words(((effect.name, "strong"), (more, ""), (f"  ({effect.span.short})", "quiet")), 2)
        if active := active_text(system, effect):
            yield Words(((active, "doubt" if "functions" in active else "quiet"),), 4, 4)
        groups: dict[str, list[int]] = {}
        for row in told.rows:
            if words := cell_words(system, matrix, row, column):
                groups.setdefault(words, []).append(row)
        first = sorted(groups.items(), key=lambda group: weight(matrix.cells.get((group[1][0], column), ())))
        for words, rows in first:
            causes = causes_told(system, [matrix.causes[row] for row in rows])
            yield Words(((f"{words}: ", "strong"), (causes, "")), 4, 4)
        if column in matrix.undecided:
            yield Words(((f"not finished: {matrix.shortfall}", "doubt"),), 4)
        elif not any(at == column for _, at in matrix.cells):
            yield Words((("no cause does anything to it", ""),), 4)
    if matrix.untried:
        text = "cannot come: in no situation that the model reaches, so what it would do then was not tried"
        yield Words(((text, "quiet"),), 2, 2)
    still = still_names(system, matrix, told.still)
    if still:
        yield Words((("without an effect on any of these: ", "strong"), (", ".join(still[:MOST_NAMES]), "")), 2, 4)


def _end(review: Review) -> Iterator[Block]:
    system = review.system
    yield None
    for what in review.undecided:
        yield Words((("undecided: ", "doubt"), (what, "")))
    for budget, count in review.budgets:
        cut = "" if count.complete else " found before a limit ended the search"
        yield Words(((f"{count.settled:,} settled of {counted(count.all, 'state')}{cut} {faults_text(budget)}", ""),))
    reason = f" ({review.engine_reason})" if review.engine_reason else ""
    yield Words(((f"engine {review.engine}{reason}, {seconds_text(review.seconds)}", "quiet"),))
    yield None
    most = review.budgets[-1][0]
    tick = "without durations" if system.tick is None else f"time in ticks of {duration_text(Fraction(system.tick))}"
    text = f"Shown for the model in {system.file}, sha256 {system.sha256[:12]}, {faults_text(most)}, {tick}."
    yield Words(((text, ""),), hang=0)
    yield Words(((CAUTION, ""),), hang=0)
