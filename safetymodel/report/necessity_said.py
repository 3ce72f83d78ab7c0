"""What is said about necessity: the score, what nobody asked for, and what could not be found out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from safetymodel.insight.necessity.effects import Effect, Necessity
from safetymodel.insight.necessity.sentences import mirrored_sentences, summary
from safetymodel.model.system import System
from safetymodel.report.said import Block, Piece, Words
from safetymodel.traces.fold import folded
from safetymodel.traces.wording import and_list, formula_text, short_name, transition_text

NOBODY = "Nobody asked for these: each is redundant, or a requirement is missing"

TITLES = (
    ("removed", "Nobody would miss these transitions"),
    ("negated", "Nobody would notice the opposite `if` of these"),
    ("late", "Nobody would notice these come late, or never"),
)


def necessity_section(found: Necessity, quiet: bool) -> Iterator[Block]:
    """The score; with ``quiet`` no list of what nobody asked for."""
    system = found.system
    yield None
    yield Words((("Necessity", "strong"),))
    if not system.requirements:
        yield Words((("there is no requirement that could notice anything", "doubt"),), 2)
        return
    told = list(summary(found))
    for sentence in told:
        yield Words(((sentence, ""),), 2)
    if not told:
        yield Words((("there is no transition to change", ""),), 2)
    for sentence in mirrored_sentences(found):
        yield Words(((sentence, "quiet"),), 2)
    if quiet:
        return
    yield from _noticed_by(found)
    yield from _parts(system, found.unasked)
    for kind, title in TITLES:
        unmissed = [e for e in found.of_kind(kind) if e.unasked]  # type: ignore[arg-type]
        if unmissed:
            yield Words(((f"{title}:", "strong"),), 2)
        for effect in unmissed:
            yield Words((*_transition(system, effect), (f": {_difference(system, effect)}", "")), 4, 4)


def _noticed_by(found: Necessity) -> Iterator[Block]:
    """The requirements that notice changes, those first that notice most of them."""
    times = Counter(n.requirement.name for e in found.effects for n in e.notices)
    if times:
        names = ", ".join(f"{name} {number:,}" for name, number in times.most_common())
        more = "" if found.everything else " (of each change those that were found first)"
        yield Words((("changes noticed", "strong"), (f"{more}, by requirement: {names}", "")), 2, 4)
    silent = [r.name for r in found.system.requirements if r.name not in times]
    if found.everything and silent and all(e.known for e in found.effects):
        one = len(silent) == 1
        why = "it is broken as it is, or stays" if one else "each is broken as it is, or stays"
        text = f"{and_list(silent)} notice{'s' if one else ''} none of them: {why} as it is whichever one is made"
        yield Words(((text, "doubt"),), 2, 4)


def _parts(system: System, effects: Sequence[Effect]) -> Iterator[Block]:
    """What nobody asked for, transition by transition: what lets more happen first, what makes no difference last."""
    if effects:
        yield Words(((f"{NOBODY}:", "strong"),), 2)
    differing = sorted((e for e in effects if e.differs), key=lambda e: not e.more)
    for number in dict.fromkeys(e.change.transition for e in differing):
        mine = [e for e in differing if e.change.transition == number]
        yield Words(tuple(_transition(system, mine[0])), 4, 4)
        for effect in mine:
            text = f": {_difference(system, effect)}"
            yield Words((("without ", ""), (_part(system, effect), "strong"), (text, "")), 6, 4)
    same = [e for e in effects if not e.differs]
    if same:
        yield Words((("of these, what makes no difference in any situation that can come about:", "doubt"),), 4)
    for number in dict.fromkeys(e.change.transition for e in same):
        mine = [e for e in same if e.change.transition == number]
        parts = ", ".join(_part(system, e) for e in mine)
        yield Words((*_transition(system, mine[0]), (f": {parts}", "")), 6, 4)


def _transition(system: System, effect: Effect) -> tuple[Piece, ...]:
    t = system.transitions[effect.change.transition]
    return (transition_text(system, t), ""), (f"  ({t.span.short})", "quiet")


def _part(system: System, effect: Effect) -> str:
    assert effect.change.part is not None
    return f"`{formula_text(system, effect.change.part)}`"


def _difference(system: System, effect: Effect) -> str:
    """What becomes possible, after which run."""
    if not effect.differs:
        return "makes no difference in any situation that can come about"
    if effect.trace is None:
        what = "can happen where it could not before" if effect.more else "can no longer happen where it could"
        return f"it {what}; there was no time to search a run to that"
    names = [short_name(system, group.step, group.ticks) for group in folded(effect.trace) if group.step]
    after = f"after {', '.join(names)}" if names else "at the start"
    if effect.change.kind == "late":
        return f"{after} it is due"
    return f"{after} it can happen, and could not before" if effect.more else f"{after} it can no longer happen"
