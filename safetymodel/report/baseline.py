"""What got worse, better or otherwise different between two results of `verify --json`.

It works on the plain data of a results file, so that a result kept from an earlier run is as good as a new one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from safetymodel.report.said import Block, Grid, Piece, Style, Words, one_line
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


def changes_between(old: Data, new: Data, same_claims: Iterable[str] = ()) -> tuple[Change, ...]:
    """Everything that differs between two results of one spec, or of two revisions of it.

    ``same_claims`` are requirements whose claim is known to say the same, however it is worded.
    """
    before = {r["id"]: r for r in old.get("requirements", ())}
    after = {r["id"]: r for r in new.get("requirements", ())}
    same = frozenset(same_claims)
    found: list[Change] = []
    for name, requirement in after.items():
        if name in before:
            found.extend(_requirement(name, before[name], requirement, name in same))
        elif _rank(requirement) >= RANKS["undecided"]:
            found.append(Change("worse", name, f"is new, and is {requirement['verdict']}"))
        else:
            found.append(Change("other", name, f"is new: {requirement['verdict']}"))
    found.extend(Change("worse", name, "is no longer required") for name in before if name not in after)
    found.extend(_scenarios(old, new))
    found.extend(_findings(old, new))
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


def _requirement(name: str, old: Data, new: Data, same_claim: bool) -> Iterator[Change]:
    before, after = _rank(old), _rank(new)
    less_asked = new["budget"] < old["budget"]  # then a better verdict says nothing
    if before != after:
        effect: Effect = "worse" if after > before else "other" if less_asked else "better"
        yield Change(effect, name, f"verdict was {_verdict(old)}, is now {_verdict(new)}")
    elif new["verdict"] == "broken":
        yield from _broken(name, old, new)
    if before == after:
        yield from _longer(name, old, new)
    if not same_claim and old.get("claim", new.get("claim")) != new.get("claim"):
        yield Change("worse", name, f"claims something else: `{new['claim']}`, it was `{old['claim']}`")
    elif not same_claim:
        before_names, after_names = old.get("where", new.get("where", {})), new.get("where", {})
        for condition in sorted(before_names.keys() | after_names.keys()):
            pair = before_names.get(condition, "nothing"), after_names.get(condition, "nothing")
            if pair[0] != pair[1]:
                yield Change("worse", name, f"claims something else: {condition} means `{pair[1]}`, it was `{pair[0]}`")
    if old.get("prevent", new.get("prevent")) and not new.get("prevent"):
        yield Change("worse", name, "now accepts a breach for a moment: it lost `prevent: true`")
    for key, what in (("withstand", "has to withstand"), ("budget", "was judged with up to")):
        if old[key] != new[key]:
            effect = "worse" if new[key] < old[key] else "better"
            yield Change(effect, name, f"{what} {counted(new[key], 'fault')}, it was {old[key]}")
    if old["text"] != new["text"]:
        yield Change("other", name, f"text: {new['text']!r}, it was {old['text']!r}")
    lost = [h for h in old.get("hazards", ()) if h not in new.get("hazards", ())]
    if lost:
        yield Change("worse", name, f"no longer stands against {and_list(lost)}")


def _verdict(requirement: Data) -> str:
    if requirement["verdict"] == "broken" and "happenings" in requirement:
        by = f", by {and_list(requirement['faults'])}" if requirement.get("faults") else " without any fault"
        return f"broken in {counted(requirement['happenings'], 'happening')}{by}"
    return str(requirement["verdict"])


def _broken(name: str, old: Data, new: Data) -> Iterator[Change]:
    """The same verdict, at fewer or more faults and happenings."""
    if "happenings" not in old or "happenings" not in new:
        return
    before = len(old["faults"]), old["happenings"]
    after = len(new["faults"]), new["happenings"]
    if before != after:
        effect: Effect = "worse" if after < before else "better"
        yield Change(effect, name, f"is {_verdict(new)}, it was {_verdict(old)}")


def _longer(name: str, old: Data, new: Data) -> Iterator[Change]:
    """How long a breach lasts while the logic reacts, and how long an effect is waited for."""

    def moment(requirement: Data) -> float:
        steps = requirement["longest_moment"]["reactions"]
        return float("inf") if steps is None else steps

    if "longest_moment" in old and "longest_moment" in new and moment(old) != moment(new):
        worse = moment(new) > moment(old)
        steps = "without end" if moment(new) == float("inf") else f"for {counted(int(moment(new)), 'reaction step')}"
        text = f"is broken {steps} while the logic reacts, it was {moment(old):g}"
        yield Change("worse" if worse else "better", name, text)
    waits = old.get("longest_wait_ms"), new.get("longest_wait_ms")
    if waits[0] is not None and waits[1] is not None and waits[0] != waits[1]:
        text = f"takes up to {waits[1]:g} ms, it was {waits[0]:g} ms"
        yield Change("worse" if waits[1] > waits[0] else "better", name, text)


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
