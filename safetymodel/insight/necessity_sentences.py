"""Who needs what, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from safetymodel.insight.necessity import Effect, Necessity
from safetymodel.insight.necessity_changes import Change
from safetymodel.model.system import System
from safetymodel.traces.wording import and_list, counted, formula_text, transition_text


def summary(found: Necessity) -> Iterator[str]:
    """The score, and what else the changes showed."""
    parts = found.of_kind("part")
    if parts:
        known = sum(e.known for e in parts)
        share = f" ({100 * found.noticed_parts / len(parts):.0f} %)" if known == len(parts) else ""
        yield (
            f"{found.noticed_parts:,} of {counted(len(parts), 'part')} of the conditions are noticed by some "
            f"requirement when left out{share}."
        )
        same = sum(e.known and not e.differs for e in parts)
        if same:
            yield f"{same:,} of the others make no difference in any situation that can come about under these faults."
    for kind, one, what in (
        ("removed", "transition", "taken away"),
        ("negated", "condition", "turned into its opposite"),
        ("late", "automatic reaction", "late"),
    ):
        effects = found.of_kind(kind)  # type: ignore[arg-type]
        if effects:
            noticed = sum(bool(e.notices) for e in effects)
            yield f"{noticed:,} of {counted(len(effects), one)} are noticed when {what}."
    unknown = sum(not e.known for e in found.effects)
    if unknown:
        yield f"Of {counted(unknown, 'change')} it is not known who notices: {found.shortfall}."


def change_text(system: System, change: Change) -> str:
    """What is changed: ``console: locked -> ready on console.reset without `stop_relay is healthy` ``."""
    where = transition_text(system, system.transitions[change.transition])
    match change.kind:
        case "part":
            assert change.part is not None
            return f"{where} without `{formula_text(system, change.part)}`"
        case "removed":
            return f"{where}, taken away"
        case "negated":
            return f"{where}, its `if` turned into the opposite"
        case "late":
            return f"{where}, at any later moment"


def effect_sentence(system: System, effect: Effect) -> str:
    """Who notices one change; or what it is that nobody asked for."""
    text = change_text(system, effect.change)
    if not effect.known:
        return f"{text}: not known."
    if effect.notices:
        names = [f"{n.requirement.name} ({n.before}, then {n.after})" for n in effect.notices]
        return f"{text}: noticed by {and_list(names)}."
    asked = "nobody asked for this: redundant, or a requirement is missing"
    if not effect.differs:
        return f"{text}: {asked}. It makes no difference in any situation that can come about under these faults."
    if effect.trace is None:
        return f"{text}: {asked}."
    after = counted(effect.trace.happenings, "happening")
    what = "it can happen, and could not before" if effect.more else "it cannot happen as it could before"
    return f"{text}: {asked}. After the run shown ({after}) {what}."
