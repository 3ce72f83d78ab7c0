"""Who needs what, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from safetymodel.insight.necessity.changes import Change
from safetymodel.insight.necessity.effects import Effect, Necessity
from safetymodel.insight.necessity.mirrors import Mirror
from safetymodel.model.system import System
from safetymodel.traces.wording import and_list, counted, formula_text, transition_text


def summary(found: Necessity) -> Iterator[str]:
    """The score, and what else the changes showed."""
    parts = found.of_kind("part")
    if parts:
        unknown = sum(not e.known for e in parts)
        share = f" ({100 * found.noticed_parts / len(parts):.0f} %)" if not unknown else ""
        yield (
            f"{found.noticed_parts:,} of {counted(len(parts), 'part')} of the conditions "
            f"{_is(found.noticed_parts)} noticed when left out{share}{_by_chatter(parts)}{_unknown(parts)}."
        )
        same = sum(e.known and not e.differs for e in parts)
        if same:
            makes = "makes" if same == 1 else "make"
            yield (
                f"{same:,} of the others {makes} no difference in any situation that can come about under these faults."
            )
    for kind, one, what in (
        ("removed", "transition", "taken away"),
        ("negated", "condition", "turned into its opposite"),
        ("late", "automatic reaction", "late"),
    ):
        effects = found.of_kind(kind)  # type: ignore[arg-type]
        if effects:
            if not any(e.known for e in effects):
                what = what.replace("its", "their") if len(effects) > 1 else what
                yield f"{counted(len(effects), one)} {what}: who notices is not known."
                continue
            noticed = sum(e.noticed for e in effects)
            counts = f"{noticed:,} of {counted(len(effects), one)} {_is(noticed)}"
            what = what.replace("its", "their") if len(effects) > 1 else what
            yield f"{counts} noticed when {what}{_by_chatter(effects)}{_unknown(effects)}."
    if any(not e.known for e in found.effects):
        yield f"Not everything is known: {found.shortfall}."


def _unknown(effects: Sequence[Effect]) -> str:
    number = sum(not e.known for e in effects)
    return f"; of {number:,} it is not known" if number else ""


def _by_chatter(effects: Sequence[Effect]) -> str:
    """How many no requirement was found to notice."""
    number = sum(e.chatters and not e.notices for e in effects)
    return f", {number:,} of them since the logic can then go round for ever, which `verify` reports" if number else ""


def _is(number: int) -> str:
    return "is" if number == 1 else "are"


def mirror_text(found: Necessity, mirror: Mirror) -> str:
    """``brake_switch_bridged in brake_held_b``."""
    return found.system.faults[mirror.fault].name


def mirrored_sentences(found: Necessity) -> Iterator[str]:
    """Which faults were looked at that the spec does not declare, and for whom they were left out."""
    if not found.mirrored:
        return
    number = counted(len(found.mirrored), "fault")
    names = ", ".join(mirror_text(found, mirror) for mirror in found.mirrored)
    yield (
        f"Here a fault that the spec declares for one signal can strike, instead, another signal that reads the same "
        f"({number}: {names})."
    )
    if found.unmirrored:
        yield (
            f"{and_list(found.unmirrored)} did not pass with these as without, and "
            f"{'was' if len(found.unmirrored) == 1 else 'were'} asked without them."
        )


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
        more = "; the logic can then go round for ever" if effect.chatters else ""
        return f"{text}: noticed by {and_list(names)}{more}."
    if effect.chatters:
        return f"{text}: noticed, for the logic can then go round for ever, which `verify` reports."
    asked = "nobody asked for this: redundant, or a requirement is missing"
    if not effect.differs:
        return f"{text}: {asked}. It makes no difference in any situation that can come about under these faults."
    if effect.trace is None:
        return f"{text}: {asked}."
    after = counted(effect.trace.happenings, "happening")
    what = "it can happen, and could not before" if effect.more else "it cannot happen as it could before"
    return f"{text}: {asked}. After the run shown ({after}) {what}."
