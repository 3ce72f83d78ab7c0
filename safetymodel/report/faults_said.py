"""What is said about the faults of a system, as lines and tables without any look."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from safetymodel.claims.verdict import Judgement
from safetymodel.faults.category import NOT_SHOWN, Evidence
from safetymodel.faults.effects import Effects
from safetymodel.faults.reveal import Reveal
from safetymodel.faults.sets import FaultSet, MinimalSets
from safetymodel.faults.study import Study
from safetymodel.model.system import Fault, System
from safetymodel.report.numbers import said_of_figures
from safetymodel.report.said import (
    CAUTION,
    Block,
    Grid,
    Piece,
    Style,
    Words,
    explanation_blocks,
    one_line,
    seconds_text,
    verdict_notes,
)
from safetymodel.traces.explain import explain
from safetymodel.traces.wording import and_list, counted, duration_text, faults_text, formula_text, ticks_text

SHOWN_SETS = 12
"""Sets of a requirement that are listed in the terminal, unless it is asked for; JSON and CSV have all."""


def said_of_faults(study: Study, show: Collection[str] = (), numbers: bool = False) -> Iterator[Block]:
    """Everything about a study, in reading order; ``show`` names requirements whose runs are told in full, with
    ``numbers`` the figures come too, each with all that it supposes."""
    system = study.system
    yield Words(((system.title, "strong"), (f"  {system.file}", "quiet")))
    yield None
    if not system.faults:
        yield Words((("The spec declares no faults, so there is nothing to combine.", "doubt"),))
    if not study.found:
        yield Words((("There are no requirements to look at.", "doubt"),))
    else:
        yield sets_table(system, study)
        yield from _sets_section(study, show)
    if system.faults:
        yield None
        yield Words((("Failure effects", "strong"), (" (columns after practice under IEC 60812)", "quiet")))
        yield effects_table(system, study)
        yield from _hidden_section(study)
    if study.evidence and system.faults:
        yield from _category_section(system, study)
    for figures in study.figures if numbers else ():
        yield None
        yield from said_of_figures(figures)
    if numbers and not study.figures:
        yield None
        yield Words((("No fault of the spec has numbers (`rate`, `b10d` with `cycles`, `probability`).", "doubt"),))
    elif study.figures and not numbers:
        yield None
        yield Words((("`--numbers` shows what follows from the rates, with all that it supposes.", "quiet"),))
    yield None
    cut, once = (" found before a limit ended the search", "") if study.shortfall else ("", ", explored once")
    states = f"{study.settled:,} settled of {counted(study.states, 'state')}{cut} {faults_text(study.order)}{once}"
    yield Words(((states, "doubt" if cut else ""),))
    yield Words(((f"engine {study.engine} ({study.engine_reason}), {seconds_text(study.seconds)}", "quiet"),))
    if study.shortfall:
        yield Words((("not everything was explored: ", "doubt"), (study.shortfall, "")))
    yield None
    yield Words(((shown_text(study), ""),), hang=0)
    yield Words(((CAUTION, ""),), hang=0)


def names_of(system: System, faults: Collection[int]) -> list[str]:
    return [system.faults[f].name for f in faults]


def set_text(system: System, faults: Collection[int]) -> str:
    """``a + b``; ``no fault`` for the empty set."""
    return " + ".join(names_of(system, faults)) or "no fault"


def sets_table(system: System, study: Study) -> Grid:
    """One row a requirement: the least faults that defeat it, and how many minimal sets there are of each size."""
    rows: list[tuple[Piece, ...]] = []
    for found in study.found:
        requirement = found.requirement
        text = one_line(requirement.text or requirement.wording)
        rows.append(
            (
                (requirement.name, "strong"),
                least_text(study, found),
                (_counts_text(found), ""),
                (text + _withstand_text(study, found), ""),
            )
        )
    return Grid(("requirement", "least faults", "minimal sets", "what it says"), tuple(rows))


def least_text(study: Study, found: MinimalSets) -> Piece:
    """The number of faults in the smallest set; or what is known where there is none."""
    if found.sets:
        least = len(found.sets[0].faults)
        style: Style = "bad" if least <= max(found.requirement.withstand, 0) else "doubt"
        return ("0: broken" if not least else str(least)), style
    if not found.complete:
        return "undecided", "doubt"
    if found.empty is not None:
        return "empty", "doubt"
    if not study.system.faults:
        return "none declared", "doubt"
    return f"over {found.order}", "good" if study.stands_of(found) and found.order else "doubt"


def _counts_text(found: MinimalSets) -> str:
    sizes = sorted({len(s.faults) for s in found.sets})
    names = {1: ("single fault", "single faults"), 2: ("pair", "pairs")}
    parts = [
        counted(len(found.of_order(n)), *names.get(n, (f"set of {n} faults", f"sets of {n} faults")))
        for n in sizes
        if n
    ]
    if not found.complete:
        parts.append("perhaps more")
    return ", ".join(parts) or "none"


def _withstand_text(study: Study, found: MinimalSets) -> str:
    asked = found.requirement.withstand
    beaten = [s for s in found.sets if len(s.faults) <= asked]
    notes = []
    if beaten and asked:
        notes.append(f"it has to withstand {asked}")
    if asked and not study.system.faults:
        notes.append(f"it has to withstand {asked}, and the spec declares no fault")
    if found.empty is not None:
        notes += verdict_notes(study.system, found.empty)
    elif found.complete and study.stands_of(found) is None:
        notes.append(f"undecided: looked at {faults_text(found.order)} only, though it has to withstand {asked}")
    if not found.complete:
        notes.append(found.reason)
    return f" ({'; '.join(notes)})" if notes else ""


def _sets_section(study: Study, show: Collection[str]) -> Iterator[Block]:
    """The sets of each requirement, each with the length of its shortest run, or the run itself."""
    system = study.system
    for found in study.found:
        if not found.sets:
            continue
        requirement = found.requirement
        yield None
        head = f"{requirement.name}: minimal fault sets"
        yield Words(((head, "strong"), (f"  {one_line(requirement.text)}", "")))
        in_full = requirement.name in show
        listed = found.sets if in_full else found.sets[:SHOWN_SETS]
        for one in listed:
            yield Words(((set_text(system, one.faults), "bad"), (f"  ({_run_text(one)})", "quiet")), 2)
            if in_full and one.trace is not None:
                judgement = Judgement(requirement, len(one.faults), "broken", trace=one.trace)
                yield from explanation_blocks(explain(system, judgement))
                yield None
        if len(listed) < len(found.sets):
            more = counted(len(found.sets) - len(listed), "more set")
            yield Words(((f"and {more}: `--show {requirement.name}`, JSON and CSV have all", "quiet"),), 2)


def _run_text(one: FaultSet) -> str:
    if one.trace is None:
        return "no run was searched: `--runs always`" if one.faults else "without any fault"
    return f"in {counted(one.trace.happenings, 'happening')}"


def effects_table(system: System, study: Study) -> Grid:
    """One row a fault."""
    rows: list[tuple[Piece, ...]] = []
    for effect in study.effects:
        rows.append(
            (
                (effect.fault.name, "strong"),
                (immediate_text(system, effect), ""),
                (reveal_text(system, effect), "good" if effect.reveal and effect.reveal.revealed else "doubt"),
                (defeats_text(system, effect), "bad" if any(e.alone for e in effect.on) else ""),
            )
        )
    return Grid(("fault", "what reads or sticks wrong", "how it shows", "what it defeats"), tuple(rows))


def immediate_text(system: System, effect: Effects) -> str:
    """What reads or sticks wrong right away."""
    fault = effect.fault
    match fault.kind:
        case "signal":
            text = f"{system.signals[fault.subject].name} reads {'true' if fault.value else 'false'}"
            further = [system.signals[n].name for n in effect.signals[1:]]
            if further:
                text += f", so {and_list(further)} may read wrong"
        case "stuck":
            this = system.subsystems[fault.subject]
            text = f"{this.name} stays {'where it is' if fault.state is None else f'in {this.states[fault.state]}'}"
        case "jump":
            this = system.subsystems[fault.subject]
            text = f"{this.name} can go from {this.states[fault.state or 0]} to {this.states[fault.target]} of itself"
    if effect.reveal is not None and not effect.reveal.demanded and effect.reveal.word != "undecided":
        text += " (never called on)"
    return text


def defeats_text(system: System, effect: Effects) -> str:
    """Which requirements it defeats alone, and which together with what; and what is no longer possible."""
    alone = [e.requirement.name for e in effect.on if e.alone]
    parts = [f"alone {and_list(alone)}"] if alone else []
    for on in effect.on:
        if on.together:
            others = [set_text(system, faults) for faults in on.together]
            more = f" or {len(others) - 3} other sets" if len(others) > 4 else ""
            parts.append(f"{on.requirement.name} with {' or '.join(others[: 3 if more else 4])}{more}")
    stopped = [e.requirement.name for e in effect.unavailable if e.alone]
    if stopped:
        parts.append(f"use lost: {and_list(stopped)}")
    if effect.undecided:
        parts.append("perhaps more" if parts else "undecided")
    return "; ".join(parts) or "nothing by itself or in a set looked at"


def reveal_text(system: System, effect: Effects) -> str:
    """Whether and when it shows, and by what."""
    reveal = effect.reveal
    if reveal is None:
        return "not looked at"
    by = and_list([formula_text(system, i) for i in effect.fault.indications], "or")
    match reveal.word:
        case "at once":
            text = f"at once: {by}"
        case "in time":
            text = f"within {ticks_text(system, reveal.wait)}: {by}"
        case "at demand":
            lasting = f" that lasts {ticks_text(system, reveal.wait)}" if reveal.wait else ""
            text = f"at the next demand{lasting}: {by}"
        case "in some runs":
            text = f"hidden in some runs, shown in others: {by}"
        case "never":
            text = f"hidden: {by} never comes true for it"
        case "undeclared":
            text = "hidden: no indication is declared"
        case "cannot strike":
            text = "no run has it"
        case "undecided":
            text = f"undecided: {reveal.reason}"
    if reveal.also_without:
        false = and_list([formula_text(system, effect.fault.indications[n]) for n in reveal.also_without])
        text += f" ({false} comes true without faults too)"
    return text


def hidden(reveal: Reveal | None) -> bool:
    """Whether it is known that a fault is not found in every continuation, at or before the next demand."""
    return reveal is not None and reveal.word in ("in some runs", "never", "undeclared")


def _hidden_section(study: Study) -> Iterator[Block]:
    faults: list[Fault] = [e.fault for e in study.effects if hidden(e.reveal)]
    if faults:
        yield Words((("hidden faults: ", "doubt"), (", ".join(f.name for f in faults), "")), 0)
        meaning = "hidden: some run after it has no declared indication, at or before the next demand"
        yield Words(((meaning, "quiet"),))


def _category_section(system: System, study: Study) -> Iterator[Block]:
    yield None
    source = " (ISO 13849-1, 6.2; check the printed standard)"
    yield Words((("Behaviour of the categories", "strong"), (source, "quiet")))
    rows: list[tuple[Piece, ...]] = []
    for item in study.evidence:
        style: Style = "bad" if item.word in ("none", "undecided") else ""
        word = item.word if item.empty is None else f"{item.word} (empty)"
        rows.append(((item.requirement.name, "strong"), (word, style), (category_text(system, item), "")))
    yield Grid(("requirement", "behaves as", "because"), tuple(rows))
    yield Words(((f"No model shows these parts of the standard: {'; '.join(NOT_SHOWN)}.", ""),), 0, 0)
    told = "A category is claimed by those who design and validate the control system; this is evidence of behaviour."
    yield Words(((told, ""),), 0, 0)


def category_text(system: System, item: Evidence) -> str:
    """Why the behaviour of this category is shown, and why not that of the next."""

    def listed(faults: Collection[int]) -> str:
        shown = names_of(system, faults)
        return and_list(shown if len(shown) < 5 else [*shown[:4], f"{len(shown) - 4} more"])

    found = "found at or before the next demand"
    match item.word:
        case "none" if item.empty is not None:
            return f"it says nothing, whatever fails: {'; '.join(verdict_notes(system, item.empty))}"
        case "none":
            return "broken without any fault"
        case "undecided":
            return item.short
        case "B or 1":
            alone = f"{listed(item.singles)} alone can defeat it"
            if item.unfound_singles == item.singles:
                return f"{alone}, and need not be {found}"
            return f"{alone}, and {listed(item.unfound_singles)} need not be {found}"
        case "2":
            return f"{listed(item.singles)} alone can defeat it; each is {found}, which must then lead to a safe state"
        case "3":
            text = "no single declared fault defeats it"
            if item.short:
                return f"{text}; {item.short}"
            kept = and_list([set_text(system, faults) for faults in item.silent[:3]])
            more = f" and {len(item.silent) - 3} more sets" if len(item.silent) > 3 else ""
            known = {fault for faults in item.silent for fault in faults} - set(item.hidden)
            verb = "is" if len(known) == 1 else "are"
            shown = f" (only {listed(sorted(known))} {verb} {found})" if known else ""
            return f"{text}, but {kept}{more} can build up without being {found}{shown}"
        case "4":
            looked = counted(item.order, "declared fault")
            text = f"no single declared fault defeats it, nor do hidden ones that build up, looking at up to {looked}"
            return f"{text}; hidden: {listed(item.hidden)}" if item.hidden else text


def shown_text(study: Study) -> str:
    """For which model and under which limits the sets are."""
    system = study.system
    tick = "without durations" if system.tick is None else f"time in ticks of {duration_text(system.tick)}"
    known = f"{counted(len(system.faults), 'fault')} that the spec declares"
    looked = f"{faults_text(study.order)} of the {known}" if study.order else f"without any of the {known}"
    if not system.faults:
        looked = "without faults, since the spec declares none"
    return (
        f"Shown for the model in {system.file}, sha256 {system.sha256[:12]}, {looked}, {tick}. "
        "A fault that is not declared is not in any set."
    )
