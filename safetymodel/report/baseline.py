"""What got worse, better or otherwise different between two results of `verify --json`.

It works on the plain data of a results file, so that a result kept from an earlier run is as good as a new one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from safetymodel.report.said import Block, Grid, Piece, Style, Words, one_line
from safetymodel.revisions.declared import Meaning
from safetymodel.traces.wording import and_list, counted

Effect = Literal["worse", "better", "other"]
Data = Mapping[str, Any]

RANKS = {"holds": 0, "reacts": 1, "accepted": 2, "undecided": 3, "empty": 4, "broken": 5}
"""From best to worst. ``accepted`` is an empty requirement whose spec accepts that."""


@dataclass(frozen=True, slots=True)
class Change:
    """One difference: ``subject`` is a requirement's or scenario's name, or empty; ``text`` says what, in words."""

    effect: Effect
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class DeclaredChange(Change):
    """A difference in what is declared: ``what`` of the part of this kind and name was ``old`` and is ``new``, None
    where it is not given. ``what`` is empty where the whole part came or went."""

    kind: str
    name: str
    what: str
    old: str | None
    new: str | None

    @property
    def of_requirements(self) -> bool:
        """Whether it belongs to a requirement or a scenario."""
        return self.kind in ("requirement", "scenario")

    @property
    def loses_it(self) -> bool:
        """Whether the part is no longer there, or is a fault that does something else."""
        return self.new is None if not self.what else self.what == "does"

    @property
    def only_words(self) -> bool:
        """Whether it changes words for people, and nothing that a verdict or a figure depends on."""
        return self.what in FOR_PEOPLE


def changes_between(
    old: Data, new: Data, same_claims: Iterable[str] = (), meanings: Mapping[Meaning, bool] | None = None
) -> tuple[Change, ...]:
    """Everything that differs between two results of one spec, or of two revisions of it.

    ``same_claims`` are requirements whose claim is known to say the same, however it is worded. ``meanings`` says of
    declared expressions whether they are the same functions; without it their texts are compared.
    """
    before = {r["id"]: r for r in old.get("requirements", ())}
    after = {r["id"]: r for r in new.get("requirements", ())}
    means = meanings or {}
    same = frozenset(same_claims)
    declared = tuple(declared_changes(old, new, means))
    lost = frozenset(c.name for c in declared if c.kind == "fault" and c.loses_it)
    found: list[Change] = []
    for name, requirement in after.items():
        if name in before:
            says = means.get(("requirement", name, "claim"), True if name in same else None)
            found.extend(_requirement(name, before[name], requirement, says, lost))
        elif _rank(requirement) >= RANKS["undecided"]:
            found.append(Change("worse", name, f"is new, and is {requirement['verdict']}"))
        else:
            found.append(Change("other", name, f"is new: {requirement['verdict']}"))
    found.extend(Change("worse", name, "is no longer required") for name in before if name not in after)
    found.extend(_scenarios(old, new))
    found.extend(_findings(old, new))
    found.extend(declared)
    return tuple(found)


def baseline_said(changes: Iterable[tuple[str, Change]]) -> Iterator[Block]:
    """What got worse, better or otherwise different than in a baseline; each change with the spec's file."""
    listed = list(changes)
    worse = sum(change.effect == "worse" for _, change in listed)
    if listed:
        rows: list[tuple[Piece, ...]] = [
            ((change.subject or file, "strong"), (change.effect, STYLES[change.effect]), (one_line(change.text), ""))
            for file, change in sorted(listed, key=lambda pair: list(STYLES).index(pair[1].effect))
        ]
        yield Grid(("against the baseline", "change", "what"), tuple(rows))
        yield None
    text = f"{counted(worse, 'thing') if worse else 'Nothing'} got worse than in the baseline."
    yield Words(((text, "bad" if worse else "good"),))
    yield None


STYLES: dict[Effect, Style] = {"worse": "bad", "better": "good", "other": ""}


def _rank(requirement: Data) -> int:
    word = requirement["verdict"]
    return RANKS["accepted"] if word == "empty" and requirement.get("passes") else RANKS[word]


def _requirement(name: str, old: Data, new: Data, same_claim: bool | None, lost: frozenset[str]) -> Iterator[Change]:
    """``same_claim`` is None where only the wording can tell; ``lost`` are faults that the old result had to withstand,
    and the new one has not."""
    before, after = _rank(old), _rank(new)
    fewer = bool(lost) and old["budget"] > 0
    less_asked = new["budget"] < old["budget"] or fewer  # then a better verdict says nothing
    better: Effect = "other" if less_asked else "better"
    gone = sorted(lost.intersection(old.get("faults", ())))
    why = f"; {and_list(gone)} {'is' if len(gone) == 1 else 'are'} no longer declared as before" if gone else ""
    if before != after:
        effect: Effect = "worse" if after > before else "other" if new["verdict"] == "undecided" else better
        yield Change(effect, name, f"verdict was {_verdict(old)}, is now {_verdict(new)}{why}")
    elif new["verdict"] == "broken":
        yield from _broken(name, old, new, better, why)
    if before == after:
        yield from _longer(name, old, new, better)
    yield from _claim(name, old, new, same_claim)
    before_prevents, prevents = old.get("prevent", new.get("prevent")), new.get("prevent")
    if before_prevents and not prevents:
        yield Change("worse", name, "now accepts a breach for a moment: it lost `prevent: true`")
    if prevents and not before_prevents:
        yield Change("better", name, "no longer accepts a breach for a moment: `prevent: true` is new")
    for key, what in (("withstand", "has to withstand"), ("budget", "was judged with up to")):
        if old[key] != new[key]:
            effect = "worse" if new[key] < old[key] else "better"
            yield Change(effect, name, f"{what} {counted(new[key], 'fault')}, it was {old[key]}")
    if old["text"] != new["text"]:
        yield Change("other", name, f"text: {new['text']!r}, it was {old['text']!r}")
    hazards, known = new.get("hazards", ()), old.get("hazards", ())
    lost_hazards, more = [h for h in known if h not in hazards], [h for h in hazards if h not in known]
    if lost_hazards:
        yield Change("worse", name, f"no longer stands against {and_list(lost_hazards)}")
    if more:
        yield Change("other", name, f"also stands against {and_list(more)}")


def _claim(name: str, old: Data, new: Data, same: bool | None) -> Iterator[Change]:
    """A claim that says something else, by its wording, by what conditions mean, or by what signals read."""
    if same:
        return
    if old.get("claim", new.get("claim")) != new.get("claim"):
        yield Change("worse", name, f"claims something else: `{new['claim']}`, it was `{old['claim']}`")
        return
    before, after = old.get("where", new.get("where", {})), new.get("where", {})
    told = False
    for condition in sorted(before.keys() | after.keys()):
        pair = before.get(condition, "nothing"), after.get(condition, "nothing")
        if pair[0] != pair[1]:
            told = True
            yield Change("worse", name, f"claims something else: {condition} means `{pair[1]}`, it was `{pair[0]}`")
    if same is False and not told:
        yield Change("worse", name, f"claims something else, by what it reads: `{new['claim']}`")


def _verdict(requirement: Data) -> str:
    if requirement["verdict"] == "broken" and "happenings" in requirement:
        by = f", by {and_list(requirement['faults'])}" if requirement.get("faults") else " without any fault"
        return f"broken in {counted(requirement['happenings'], 'happening')}{by}"
    return str(requirement["verdict"])


def _broken(name: str, old: Data, new: Data, better: Effect, why: str) -> Iterator[Change]:
    """The same verdict, at fewer or more faults and happenings."""
    if "happenings" not in old or "happenings" not in new:
        return
    before = len(old["faults"]), old["happenings"]
    after = len(new["faults"]), new["happenings"]
    if before != after:
        effect: Effect = "worse" if after < before else better
        yield Change(effect, name, f"is {_verdict(new)}, it was {_verdict(old)}{why}")


def _longer(name: str, old: Data, new: Data, better: Effect) -> Iterator[Change]:
    """How long a breach lasts while the logic reacts, and how long an effect is waited for."""

    def moment(requirement: Data) -> float:
        steps = requirement["longest_moment"]["reactions"]
        return float("inf") if steps is None else steps

    if "longest_moment" in old and "longest_moment" in new and moment(old) != moment(new):
        worse = moment(new) > moment(old)
        steps = "without end" if moment(new) == float("inf") else f"for {counted(int(moment(new)), 'reaction step')}"
        text = f"is broken {steps} while the logic reacts, it was {moment(old):g}"
        yield Change("worse" if worse else better, name, text)
    waits = old.get("longest_wait_ms"), new.get("longest_wait_ms")
    if waits[0] is not None and waits[1] is not None and waits[0] != waits[1]:
        text = f"takes up to {waits[1]:g} ms, it was {waits[0]:g} ms"
        yield Change("worse" if waits[1] > waits[0] else better, name, text)


def _scenarios(old: Data, new: Data) -> Iterator[Change]:
    before = {s["id"]: s["ok"] for s in old.get("scenarios", ())}
    after = {s["id"]: s["ok"] for s in new.get("scenarios", ())}
    for name, ok in after.items():
        if not ok and before.get(name, True):
            yield Change("worse", name, "scenario no longer works" if name in before else "scenario is new, and fails")
        elif ok and not before.get(name, True):
            yield Change("better", name, "scenario works again")
    for name in before:
        if name not in after:
            yield Change("worse", name, "scenario is no longer there")


def _findings(old: Data, new: Data) -> Iterator[Change]:
    before = {f["slug"]: f for f in old.get("findings", ())}
    after = {f["slug"]: f for f in new.get("findings", ())}
    for slug, finding in after.items():
        if slug not in before:
            yield Change("worse", slug, finding["message"])
    for slug in before:
        if slug not in after:
            yield Change("better", slug, "no longer found")


# -- what is declared ---------------------------------------------------------------------------

FOR_PEOPLE = ("title", "text", "by", "tick", "states")
"""Words; the length of a tick, which changes no verdict; states, since those that something comes to are behaviour."""

NO_CLAIM = (*FOR_PEOPLE, "source", "role", "controllable")
"""What can be declared otherwise without any result on people that is more favourable."""

MORE_KNOWN = ("response", "severity", "rate", "b10d", "cycles", "probability", "ends_with")
"""What may be given where it was not: then more is counted, or more is asked."""

AT_STEPS = ("check ", "blocked ")
"""What a scenario asks between its steps."""

WHOLE = ("fault", "common cause", "function", "hazard")
"""Kinds of which a part that comes or goes is a change by itself."""

LEADS = {"requirement": "claims something else: ", "scenario": "asks something else: "}


def declared_changes(old: Data, new: Data, meanings: Mapping[Meaning, bool]) -> Iterator[DeclaredChange]:
    """What is declared otherwise, or no longer. A number that a result on people rests on has got worse whichever way
    it went, like a claim that says something else: no verdict can tell that it is right."""
    if "declared" not in old or "declared" not in new:
        return
    before, after = ({(d["kind"], d["name"]): d["values"] for d in side["declared"]} for side in (old, new))
    for kind, name in dict.fromkeys((*after, *before)):
        then, now = before.get((kind, name)), after.get((kind, name))
        subject = (
            name if kind in ("requirement", "scenario", "transition") else f"{kind} {name}" if name else "the spec"
        )
        if then is None or now is None:
            if kind in WHOLE:
                does = f": {now['does']}" if now and "does" in now else ""
                text, effect = (f"is new{does}", "other") if now is not None else ("is no longer declared", "worse")
                marks = (None, "declared") if then is None else ("declared", None)
                yield DeclaredChange(effect, subject, text, kind, name, "", *marks)  # type: ignore[arg-type]
                continue
            if kind in ("requirement", "scenario"):
                continue  # told with the verdicts
        other_steps = kind == "scenario" and then is not None and now is not None and then["steps"] != now["steps"]
        for what in dict.fromkeys((*(now or {}), *(then or {}))):
            if other_steps and what.startswith(AT_STEPS):
                continue  # the steps that it is at are others
            pair = (then or {}).get(what), (now or {}).get(what)
            known = meanings.get((kind, name, what))
            if known or (pair[0] == pair[1] and known is None):
                continue
            if (then is None or now is None) and what in NO_CLAIM:
                continue  # a part that came or went, with its words
            yield _declared_change(kind, name, subject, what, *pair)


def _declared_change(kind: str, name: str, subject: str, what: str, old: str | None, new: str | None) -> DeclaredChange:
    more = old is None and (what in MORE_KNOWN or what.startswith(("approach ", *AT_STEPS)))
    effect: Effect = "other" if what in NO_CLAIM or what.endswith(" text") or more else "worse"
    lead = LEADS.get(kind, "supposes something else: ") if effect == "worse" else ""
    if what == "steps":
        text = _other_steps((old or "").split(", "), (new or "").split(", "))
    elif old == new:
        text = f"{what} reads something else: `{new}`"
    elif new is None:
        text = f"{what} is no longer given, it was `{old}`"
    elif old is None:
        text = f"{what} is given now: `{new}`"
    else:
        text = f"{what} is `{new}`, it was `{old}`" if what != "does" else f"it {new}, it was: it {old}"
    return DeclaredChange(effect, subject, f"{lead}{text}", kind, name, what, old, new)


def _other_steps(old: list[str], new: list[str]) -> str:
    """Where two lists of steps differ, without what both begin and end with."""
    first = 0
    while first < min(len(old), len(new)) and old[first] == new[first]:
        first += 1
    last = 0
    while last < min(len(old), len(new)) - first and old[-1 - last] == new[-1 - last]:
        last += 1
    then, now = (", ".join(steps[first : len(steps) - last]) for steps in (old, new))
    does, did = (f"`{steps}`" if steps else "nothing" for steps in (now, then))
    return f"after {counted(first, 'step')} it does {does}, it did {did}"
