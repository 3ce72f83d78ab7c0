"""A review in a few lines, for the first screen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from safetymodel.claims.verdict import Judgement
from safetymodel.insight.review import Review
from safetymodel.report.said import Block, Style, Words
from safetymodel.traces.wording import and_list, counted, faults_text

NAMES = {
    "never-settles": "initial state that never settles",
    "chatter": "chatter",
    "race": "race",
    "ambiguous": "ambiguous event",
    "stuck": "stuck state",
    "dead-state": "dead state",
    "dead-transition": "dead transition",
    "dead-event": "dead event",
    "idle-condition": "condition that never blocks",
}
"""In the order in which they are told."""

PLURALS = {
    "chatter": "ways to chatter",
    "never-settles": "initial states that never settle",
    "idle-condition": "conditions that never block",
}

NO_PASS = ("broken", "empty", "undecided")

GRAVE = ("never-settles", "chatter", "race", "stuck")


def at_a_glance(review: Review) -> Iterator[Block]:
    """What was found, a line for each part that was asked for; nothing where only one part was."""
    lines = list(_lines(review))
    if len(lines) < 2:
        return
    yield None
    yield Words((("At a glance", "strong"),))
    for label, text, style in lines:
        yield Words(((f"{label}: ", ""), (text, style)), 2)


def _lines(review: Review) -> Iterator[tuple[str, str, Style]]:
    if review.defects is not None:
        kinds = Counter(defect.kind for defect in review.defects.found)
        found = [_number(kinds[kind], kind) for kind in NAMES if kinds[kind]]  # type: ignore[index]
        unknown = review.defects.undecided
        style: Style = "bad" if any(kinds[kind] for kind in GRAVE) else "doubt" if found or unknown else "good"  # type: ignore[index]
        more = ", but not everything could be looked at" if unknown else ""
        yield "defects", f"{and_list(found) or 'none found'} {faults_text(review.defects.budget)}{more}", style
    if review.suggestions is not None and review.system.requirements:
        yield counted(len(review.judgements), "requirement"), *standing(review.judgements)
    if review.necessity is not None and review.necessity.parts:
        yield counted(review.necessity.parts, "part") + " of the conditions", *_parts(review)
    if review.response is not None and any(budget.distance for budget in review.response):
        yield "distances", *_distances(review)
    if review.undecided:
        yield "undecided", f"{counted(len(review.undecided), 'thing')}, listed at the end", "doubt"


def standing(judgements: Sequence[Judgement]) -> tuple[str, Style]:
    """Which requirements are broken, which else are no pass."""
    told: list[str] = []
    for word in NO_PASS:
        names = [j.requirement.name for j in judgements if j.word == word and not j.passes]
        if names:
            told.append(f"{and_list(names)} {'is' if len(names) == 1 else 'are'} {word}")
    unknown = any(j.word == "undecided" for j in judgements)
    broken = any(j.word == "broken" for j in judgements)
    if not broken:
        told.insert(0, "none is known to be broken" if unknown else "none is broken")
    return "; ".join(told), "bad" if broken else "doubt" if len(told) > 1 else "good"


def _distances(review: Review) -> tuple[str, Style]:
    near = [budget.requirement.name for budget in review.short]
    unshown = [budget.requirement.name for budget in review.unshown]
    told = [f"{and_list(near)} too near"] if near else [] if unshown else ["none is too near"]
    told += [f"of {and_list(unshown)} it is not shown"] if unshown else []
    return ", ".join(told), "bad" if near else "doubt" if unshown else "good"


def _parts(review: Review) -> tuple[str, Style]:
    assert review.necessity is not None
    parts = review.necessity.of_kind("part")
    same = sum(effect.unasked and not effect.differs for effect in parts)
    others = sum(effect.unasked and effect.differs for effect in parts)
    unknown = sum(not effect.known for effect in parts)
    told = [f"{review.necessity.noticed_parts:,} noticed when left out"]
    told += [f"{same:,} without any effect"] if same else []
    told += [f"{others:,} with an effect that nobody asked for"] if others else []
    told += [f"{unknown:,} not known"] if unknown else []
    return ", ".join(told), "doubt" if same or others or unknown else "good"


def _number(count: int, kind: str) -> str:
    return f"{count:,} {PLURALS[kind]}" if count > 1 and kind in PLURALS else counted(count, NAMES[kind])
