"""What is said about two revisions, as lines and tables without any look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from safetymodel.claims.verdict import Trace
from safetymodel.model.formula import Formula
from safetymodel.model.state import State
from safetymodel.model.system import System, Transition
from safetymodel.report.baseline import STYLES, Change
from safetymodel.report.compared import Compared, SetsChange, condition_text
from safetymodel.report.said import (
    CAUTION,
    Block,
    Grid,
    Piece,
    Style,
    Words,
    one_line,
    run_words,
    seconds_text,
)
from safetymodel.revisions.compare import Behaviours, Divergence
from safetymodel.revisions.conditions import Direction, Part, PartChange, WayChange
from safetymodel.revisions.sequences import Label
from safetymodel.traces.blocked import why_blocked
from safetymodel.traces.explain import run_lines
from safetymodel.traces.wording import (
    and_list,
    counted,
    event_text,
    fault_text,
    faults_text,
    formula_text,
    ticks_text,
)

ALLOWED: dict[Direction, str] = {
    "more": "weakened: allowed in more situations",
    "less": "strengthened: allowed in fewer situations",
    "other": "changed: allowed in other situations",
    "same": "the same wherever either revision can come",
}
FIRES: dict[Direction, str] = {
    "more": "fires in more situations",
    "less": "fires in fewer situations",
    "other": "fires in other situations",
    "same": "the same wherever either revision can come",
}
"""What the logic does of itself is neither weaker nor stronger: firing more often may be the safer."""
READS: dict[Direction, str] = {
    "more": "true in more situations",
    "less": "true in fewer situations",
    "other": "true in other situations",
    "same": "the same",
}
MOST_SETS = 12


def said_of_comparison(compared: Compared) -> Iterator[Block]:
    """Everything about two revisions, in reading order."""
    b = compared.behaviours
    for word, run in (("old", compared.old), ("new", compared.new)):
        system = run.system
        about = f"  {system.file}, sha256 {system.sha256[:12]}"
        yield Words(((f"{word}: ", "quiet"), (one_line(system.title), "strong"), (about, "quiet")), 0, 5)
    yield None
    yield from _summary(compared)
    yield from _requirements(compared)
    yield from _behaviour(b)
    yield from _conditions(b)
    yield from _declared(compared)
    yield from _fault_sets(compared)
    yield from _unchanged(b)
    yield None
    yield Words(((f"compared in {seconds_text(compared.seconds)}", "quiet"),))
    yield Words(((shown_text(compared), ""),), hang=0)
    yield Words(((CAUTION, ""),), hang=0)


def _summary(compared: Compared) -> Iterator[Block]:
    yield Words((("requirements: ", "strong"), _tally(compared.judged, "nothing changed in verdicts and claims")))
    yield Words((("behaviour: ", "strong"), verdict_piece(compared.behaviours)))
    yield Words((("numbers, texts, faults: ", "strong"), _tally(compared.declared, "nothing changed")))


def _tally(changes: Sequence[Change], nothing: str) -> Piece:
    """How many changes are for the worse, for the better, and neither."""
    counts = {effect: sum(change.effect == effect for change in changes) for effect in STYLES}
    worse, better, other = counts["worse"], counts["better"], counts["other"]
    if not changes:
        return nothing, "good"
    told = f"{counted(worse, 'thing')} got worse" if worse else "nothing got worse"
    told += f", {better} better"
    return told + (f", {other} otherwise different" if other else ""), "bad" if worse else "good"


def verdict_piece(b: Behaviours) -> Piece:
    """Whether the two behave alike, in one sentence."""
    under = faults_text(b.budget)
    if b.equal:
        how = (
            "every sequence of both was followed to its end"
            if b.road == "sequences"
            else "no step differs in any situation that they reach"
        )
        return f"equal, proved {under}: {how}", "good"
    if b.equal is None:
        return f"undecided {under}: {b.reason}", "doubt"
    return f"different {under}, in {counted(len(b.divergences), 'way')}, told below", "bad"


def _requirements(compared: Compared) -> Iterator[Block]:
    yield None
    if compared.judged:
        yield _changes("requirement", compared.judged)
    touched = {c.subject for c in compared.judged}
    names = [j.requirement.name for j in compared.new.judgements]
    left = [name for name in names if name not in touched]
    reworded = [name for name in left if name in compared.behaviours.same_claims and _reworded(compared, name)]
    yield Words(((f"{counted(len(left), 'requirement')} with the same verdict and the same claim.", ""),))
    if reworded:
        told = f"worded differently, the same claim by proof: {', '.join(reworded)}"
        yield Words(((told, ""),), 0, 2)


def _changes(heading: str, changes: Sequence[Change]) -> Grid:
    rows: list[tuple[Piece, ...]] = [
        ((c.subject, "strong"), (c.effect, STYLES[c.effect]), (one_line(c.text), "")) for c in changes
    ]
    return Grid((heading, "change", "what"), tuple(rows))


def _reworded(compared: Compared, name: str) -> bool:
    wordings = {
        j.requirement.wording
        for run in (compared.old, compared.new)
        for j in run.judgements
        if j.requirement.name == name
    }
    return len(wordings) > 1


# -- behaviour ------------------------------------------------------------------------------------


def _behaviour(b: Behaviours) -> Iterator[Block]:
    for number, d in enumerate(b.divergences, 1):
        yield None
        causes = and_list([part_text(cause) for cause in d.causes]) or "seen by following all sequences"
        yield Words(((f"{number}. ", "strong"), (causes, "strong")), 0, 3)
        yield from definition_lines(b, d)
        yield None
        run = d.new_run or d.old_run
        system = b.new if d.new_run is not None else b.old
        for line in run_lines(system, shared_run(d)) if run is not None else ():
            yield run_words(line)
        for text in parting_lines(b, d):
            yield Words(text, 2, 9)


def shared_run(d: Divergence) -> Trace:
    """The run that is told: what both do, up to the last happening that both have."""
    run = d.new_run or d.old_run
    assert run is not None
    return run


def part_text(part: Part) -> str:
    if part.kind in ("transition", "start"):
        return part.name
    return f"{part.kind} {part.name}"


def definition_lines(b: Behaviours, d: Divergence) -> Iterator[Words]:
    """The definitions behind it, as each revision has them."""
    ways = {way.part: way for way in b.ways}
    parts = {change.part: change for change in b.parts}
    for cause in d.causes:
        if cause in ways:
            yield from _versions(way_texts(b.old, ways[cause].old), way_texts(b.new, ways[cause].new))
        elif cause in parts:
            yield from _versions(part_texts(b.old, parts[cause].old), part_texts(b.new, parts[cause].new))


def _versions(old: Sequence[str], new: Sequence[str]) -> Iterator[Words]:
    for word, texts in (("old", old), ("new", new)):
        for text in texts or ("nothing of the kind",):
            yield Words(((f"{word}: ", "quiet"), (text, "")), 3, 5)


def way_texts(system: System, transitions: Sequence[Transition]) -> list[str]:
    """Each transition's conditions and place: ``if stop_relay is healthy (whimbrel.yaml:463)``."""
    return [f"{condition_text(system, t)} ({t.span.short})" for t in transitions]


def part_texts(system: System, formula: Formula | None) -> list[str]:
    return [] if formula is None else [f"reads {formula_text(system, formula)}"]


def parting_lines(b: Behaviours, d: Divergence) -> Iterator[tuple[Piece, ...]]:
    """How they part after the run: other states, and what only one of them can go on with."""
    for s in d.states:
        old, new = (and_list(list(states), "or") or "cannot have settled" for states in (s.old, s.new))
        text = f"{s.subsystem} is {old} in the old revision, {new} in the new one"
        if s.since == len(d.labels):
            yield ("       ", ""), (f"now {text}", "strong")
        else:
            yield ("       ", ""), (f"{text}, and has differed since {s.since or 'the start'}", "")
    number = len(d.labels) + 1
    for word, other, system, without, run, labels in (
        ("old", "new", b.old, b.new, d.new_run, d.only_old),
        ("new", "old", b.new, b.old, d.old_run, d.only_new),
    ):
        for label in labels[:MOST_ALONE]:
            lead = f"{number:>5}  "
            yield (lead, "quiet"), (label_text(system, label), "strong"), (f": only in the {word} revision", "")
            for reason in refusal(without, run, label):
                yield ("         ", ""), (f"{other}: {reason}", "")
        if len(labels) > MOST_ALONE:
            yield ("       ", ""), (f"and {len(labels) - MOST_ALONE} more that only the {word} revision allows", "")


MOST_ALONE = 3
MOST_REASONS = 3


def refusal(system: System, run: Trace | None, label: Label) -> list[str]:
    """Why a revision cannot go on with a happening where it has come to."""
    kind, name = label
    state: State | None = None if run is None else run.end
    if kind == "event":
        event = next((e for e in system.events if e.name == name), None)
        if event is None:
            return ["there is no such event"]
        if state is not None:
            reasons = list(why_blocked(system, state, event))[:MOST_REASONS]
            return reasons or ["it can happen, but the logic need not settle after it: it can go round for ever"]
    if kind in ("fault", "jump") and all(f.name != name for f in system.faults):
        return ["there is no such fault"]
    return []


def label_text(system: System, label: Label) -> str:
    """A happening in words."""
    kind, name = label
    match kind:
        case "event":
            return next((event_text(e) for e in system.events if e.name == name), name)
        case "fault":
            return next((fault_text(f) for f in system.faults if f.name == name), name)
        case "jump":
            return f"fault {name} moves its part"
        case "tick":
            return f"{ticks_text(system, 1)} pass"
        case _:
            return f"{name} within its window of time"


# -- conditions, declarations, fault sets, what is unchanged ------------------------------------


def _conditions(b: Behaviours) -> Iterator[Block]:
    if b.ways:
        yield None
        yield Words((("Conditions that have changed", "strong"),))
        rows: list[tuple[Piece, ...]] = []
        for way in b.ways:
            by = and_list([part_text(cause) for cause in way.causes if cause != way.part])
            itself = way.part in way.causes and way.old and way.new
            because = " and ".join(part for part in ("its own condition" if itself else "", by) if part)
            words = f"{way_words(way)}{f'; by {because}' if because else ''}"
            rows.append(((way.part.name, "strong"), (words, "")))
        yield Grid(("way to move", "in the new revision"), tuple(rows))
    if b.parts:
        yield None
        yield Words((("Definitions that have changed", "strong"),))
        for change in b.parts:
            yield Words(((part_text(change.part), "strong"), (f": {part_words(change)}", "")), 0, 2)
            if change.old is not None or change.new is not None:
                yield from _versions(part_texts(b.old, change.old), part_texts(b.new, change.new))


def way_words(way: WayChange) -> str:
    """Whether the conditions of a way to move are weaker or stronger, as written and where it can be reached."""
    if not way.old or not way.new:
        text = "new" if way.new else "gone"
        return text if way.reached != "same" else f"{text}, but never taken"
    return (ALLOWED if way.event else FIRES)[way.reached or way.written]


def part_words(change: PartChange) -> str:
    if change.share != "both":
        return f"only in the {change.share} revision"
    if change.part.kind == "event":
        return "joint in the new revision" if change.direction == "less" else "no longer joint in the new revision"
    return READS[change.direction]


def _declared(compared: Compared) -> Iterator[Block]:
    if compared.declared:
        yield None
        yield Words((("Numbers, texts and faults that have changed", "strong"),))
        yield _changes("declared", compared.declared)


def _fault_sets(compared: Compared) -> Iterator[Block]:
    shared = {j.requirement.name for j in compared.old.judgements} & {
        j.requirement.name for j in compared.new.judgements
    }
    if not compared.sets_order or not shared:
        return
    yield None
    up_to = counted(compared.sets_order, "fault")
    if not compared.sets and not compared.sets_left:
        why = ": no step differs, and no claim" if compared.sets_proved else ""
        yield Words(((f"The same minimal fault sets of up to {up_to} for every requirement that both have{why}.", ""),))
    for change in compared.sets:
        for word, sets in (("new", change.new), ("gone", change.gone)):
            for names in sets[:MOST_SETS]:
                text = f" minimal fault set {' + '.join(names)}" if names else ": broken without any fault"
                why = because_of(change, names, compared.behaviours)
                style: Style = "bad" if word == "new" else "quiet" if why else "good"
                told = (f": {word}", style), (f"{text}{why and f': {why}'}", "")
                yield Words(((change.requirement, "strong"), *told), 0, 2)  # type: ignore[arg-type]
            if len(sets) > MOST_SETS:
                more = f"{change.requirement}: {len(sets) - MOST_SETS} more {word} sets, all are in the JSON"
                yield Words(((more, "quiet"),))
    if compared.sets_left:
        yield Words((("fault sets were not all compared: ", "doubt"), (compared.sets_left, "")), 0, 2)


def because_of(change: SetsChange, names: tuple[str, ...], b: Behaviours) -> str:
    """Why a minimal fault set is new or gone, where another set or the declared faults say it; else empty."""
    gone = names in change.gone
    for other in change.new if gone else change.gone:
        if set(other) < set(names):
            which = " + ".join(other)
            if gone:
                return f"{which} is enough now" if other else "no fault is needed any more"
            return f"{which} alone is no longer enough" if other else "it was broken without any fault before"
    for faults, one, several in (
        (b.removed_faults if gone else (), "is no longer declared", "are no longer declared"),
        (() if gone else b.added_faults, "is a new fault", "are new faults"),
        (b.changed_faults, "does something else now", "do something else now"),
    ):
        named = [name for name in names if name in faults]
        if named:
            return f"{and_list(named)} {one if len(named) == 1 else several}"
    return ""


def _unchanged(b: Behaviours) -> Iterator[Block]:
    yield None
    total = len(b.new.subsystems)
    if len(b.unchanged) == total == len(b.old.subsystems):
        text = f"All {total} subsystems have the same states and the same conditions"
        yield Words(((f"{text}, proved as functions over all states.", ""),))
        return
    names = ", ".join(b.unchanged) or "none"
    yield Words(
        ((f"{len(b.unchanged)} of {total} subsystems unchanged", "strong"), (f", proved over all states: {names}", "")),
        0,
        2,
    )


def shown_text(compared: Compared) -> str:
    """For which revisions and under which limits."""
    b = compared.behaviours
    return (
        f"Compared by name: what is called otherwise is another part. Behaviour means sequences of happenings "
        f"{faults_text(b.budget)}, each with the states that the subsystems can have settled in; "
        f"verdicts as by `verify`, without second opinions."
    )
