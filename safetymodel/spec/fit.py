"""A tree held against the shape of the format: what does not fit is reported and taken out of the tree.

The rest is still checked, so that no mistake hides another. A key that was taken out is remembered
in ``Node.lost`` of the map that had it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache

from safetymodel.names import did_you_mean, nearest
from safetymodel.problems import Problem
from safetymodel.spec.expressions import Misread, parse_expression
from safetymodel.spec.reader import INTEGER, Node, Source
from safetymodel.spec.schema import (
    DOCUMENT,
    NAME,
    Choice,
    Condition,
    Form,
    Listing,
    MapOr,
    Record,
    Shape,
    StuckAt,
    Table,
    Truth,
    Whole,
    Words,
    may_be_null,
)


def fit(source: Source, root: Node, shape: Record = DOCUMENT) -> tuple[Problem, ...]:
    """What does not fit a format (unless told, format 1 of a spec) in a tree whose root is a map; taken out of it."""
    fitter = _Fitter(source, shape)
    fitter.record(root, shape, "the file", None)
    return tuple(fitter.problems)


@cache
def _whole(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"(?:{pattern})\Z")


def described(node: Node) -> str:
    """A value in a few words."""
    if node.kind == "map":
        return "a map of `key: value` pairs"
    if node.kind == "list":
        return "a list" if node.items else "an empty list"
    if node.is_null:
        return "empty"
    text = " ".join(node.text.split())
    shown = text if len(text) <= 40 else f"{text[:40]}..."
    return f"`{shown}`" if node.plain else f'the quoted text "{shown}"'


class _Fitter:
    """Recursion here follows the table of shapes, never the depth of the file."""

    def __init__(self, source: Source, document: Record) -> None:
        self.source = source
        self.document = document
        self.problems: list[Problem] = []

    def report(self, slug: str, node: Node, message: str, hint: str = "") -> bool:
        self.problems.append(self.source.problem(slug, self.source.span(node), message, hint))
        return False

    def wrong(self, node: Node, where: str, wanted: str, hint: str = "") -> bool:
        if node.is_null:
            return self.report("empty", node, f"{where} is empty", hint or f"write {wanted}, or remove the key")
        if not hint and node.kind == "list" and not wanted.startswith(("text", "a list")):
            hint = "write one, without brackets"
        return self.report("wrong-type", node, f"{where} is {described(node)}, not {wanted}", hint)

    # -- maps -------------------------------------------------------------------------------

    def record(self, node: Node, shape: Record, owner: str, key: Node | None) -> bool:
        """Whether a map has its required keys, in good order; others that misfit are taken out."""
        if node.kind != "map":
            keys = ", ".join(k.name for k in shape.keys)
            return self.wrong(node, owner, "a map of `key: value` pairs", f"its keys: {keys}")
        kept = []
        meant = set()
        for name, value in node.pairs:
            known = shape.key(name.text)
            if known is None:
                meant.add(self.unknown_key(name, shape, owner))
                node.lost.append(name.text)
                continue
            where = f"`{name.text}`" if shape is self.document else f"`{name.text}` of {owner}"
            if value.is_null and known.required and not isinstance(known.shape, Table | Listing):
                self.report("empty", self.at(value, name), f"{where} is empty", f"write a value: {known.about}")
                node.lost.append(name.text)
                continue
            empty = value.is_null and may_be_null(known.shape) and not known.required
            if empty or self.value(self.at(value, name), known.shape, where, name):
                if not empty:
                    kept.append((name, value))
            else:
                node.lost.append(name.text)
        node.pairs[:] = kept
        present = {name.text for name, _ in kept} | set(node.lost)
        good = True
        for known in shape.keys:
            if known.required and known.name not in present:
                good = False
                if known.name in meant or "<<" in meant:
                    continue
                hint = f"add `{known.name}:` ({known.about})"
                if isinstance(known.shape, Whole) and known is shape.keys[0]:
                    hint = f"add `{known.name}: {known.shape.least}` as the first line"
                self.report("missing-key", key or node, f"{owner} has no `{known.name}`", hint)
        return good and not any(known.required and known.name in node.lost for known in shape.keys)

    def unknown_key(self, name: Node, shape: Record, owner: str) -> str:
        """Report a key that the format does not know; the key that was probably meant, or nothing."""
        if name.text == "<<":
            self.report("unknown-key", name, f"{owner} has no key `<<`", "YAML 1.2 has no merge keys: write them out")
            return "<<"
        allowed = [key.name for key in shape.keys]
        known, colon, rest = name.text.partition(":")
        if colon and known in allowed:
            if rest:
                hint = f"write `{known}: {rest[:40]}`"
                self.report("unknown-key", name, f"a blank is missing after `{known}:`", hint)
            else:
                message = f"`{known}:` of {owner} has no value"
                self.report("unknown-key", name, message, f"write a value, after a blank: `{known}: ...`")
            return known
        meant = nearest(name.text, allowed) if len(self.problems) < MOST_SEARCHES else None
        hint = f"did you mean {meant}?" if meant else f"allowed here: {', '.join(allowed)}"
        shown = name.text if len(name.text) <= 40 else f"{name.text[:40]}..."
        message = f"{owner} has no key `{shown}`" if shown.strip() else f"a key of {owner} is empty"
        self.report("unknown-key", name, message, hint)
        return meant or ""

    def at(self, value: Node, key: Node) -> Node:
        """The value; one that is empty takes the place of its key, where people look."""
        if not value.is_null or value.text:
            return value
        return Node("text", key.line, key.column, key.start, key.end, "", True)

    def table(self, node: Node, shape: Table, where: str) -> bool:
        if node.kind != "map":
            hint = "write `name: ...` lines, indented below it, without dashes"
            hint = f"declare at least one: {hint}" if node.is_null else hint
            return self.wrong(node, where, "a map of names", hint)
        if not node.pairs and not shape.empty:
            return self.report("empty", node, f"{where} is empty", "declare at least one")
        section = where.strip("`").split("`")[0]
        kept = []
        for name, value in node.pairs:
            if not _whole(shape.names).match(name.text):
                node.lost.append(name.text)
                shown = name.text if len(name.text) <= 40 else f"{name.text[:40]}..."
                long = len(name.text) > 100 and re.match(r"[A-Za-z][A-Za-z0-9_]*\Z", name.text)
                message = "a name of more than 100 characters" if long else f"`{shown}` is not a name"
                self.report("bad-name", name, message, _name_advice(name.text) or _NAME_HINT)
                continue
            if value.is_null and shape.null_item:
                kept.append((name, Node("map", name.line, name.column, name.start, name.end)))
                continue
            owner = f"{_ONE.get(section, section)} {name.text}"
            if self.value(self.at(value, name), shape.item, owner, name):
                kept.append((name, value))
            else:
                node.lost.append(name.text)
        node.pairs[:] = kept
        return True

    # -- lists ------------------------------------------------------------------------------

    def listing(self, node: Node, shape: Listing, where: str, key: Node | None) -> bool:
        if node.kind != "list":
            if shape.alone:
                return self.value(node, shape.item, where, key)
            if isinstance(shape.item, Record | MapOr):
                return self.wrong(node, where, "a list", "begin each entry with a dash: `- `")
            return self.wrong(node, where, "a list", "write it in brackets: [first, second]")
        if not node.items and not shape.empty:
            return self.report("empty", node, f"{where} is an empty list", "name at least one")
        kept = []
        before = len(node.items)
        for item in node.items:
            one = where
            if isinstance(shape.item, Record):
                owner = where.split(" of ", 1)[-1]
                one = f"a {shape.item.title.lower()} of {owner}"
            elif isinstance(shape.item, MapOr):
                one = f"a step of {where.split(' of ', 1)[-1]}"
            else:
                one = f"an entry of {where}"
            if self.value(item, shape.item, one, None):
                kept.append(item)
        node.items[:] = kept
        return bool(kept) or not before or shape.empty

    # -- values -----------------------------------------------------------------------------

    def value(self, node: Node, shape: Shape, where: str, key: Node | None) -> bool:
        """Whether a value fits; if not, that has been reported."""
        match shape:
            case Record():
                return self.record(node, shape, where, key)
            case Table():
                return self.table(node, shape, where)
            case Listing():
                return self.listing(node, shape, where, key)
            case MapOr():
                if node.kind == "map":
                    return self.record(node, shape.map, where, key)
                return self.value(node, shape.value, where, key)
            case Condition():
                tree = parse_expression(node.text) if _whole_number(node) is not None else None
                if isinstance(tree, Misread):
                    return self.report("bad-expression", node, tree.message, tree.hint)
                hint = "an expression stands without braces or brackets, for example `door is closed`"
                return self.text(node, where, "an expression", hint if node.kind != "text" else "")
            case Words():
                return self.text(node, where, "text", "" if node.kind == "text" else "put the text in quotes")
            case Form():
                return self.form(node, shape, where)
            case Choice():
                return self.choice(node, shape.words, where)
            case Truth():
                return self.truth(node, where)
            case StuckAt():
                if _is_truth(node):
                    return True
                return self.form(node, Form(NAME, "bad-name", "true, false or the name of a state"), where)
            case Whole():
                return self.whole(node, shape, where)

    def text(self, node: Node, where: str, wanted: str, hint: str = "") -> bool:
        if node.kind != "text" or node.is_null:
            return self.wrong(node, where, wanted, hint)
        return True

    def form(self, node: Node, shape: Form, where: str) -> bool:
        if node.kind != "text" or node.is_null:
            if node.is_null and node.text:
                hint = f"in YAML `{node.text}` means no value; choose another word"
                return self.report("empty", node, f"{where} is `{node.text}`, which means no value", hint)
            return self.wrong(node, where, shape.wanted)
        if shape.slug == "bad-name" and _is_truth(node):
            hint = "choose another word: unquoted, it is a truth value"
            return self.report("bad-name", node, f"{where} is {described(node)}, not {shape.wanted}", hint)
        if not _whole(shape.pattern).match(node.text):
            message = f"{where} is {described(node)}, not {shape.wanted}"
            return self.report(shape.slug, node, message, _advice(node, shape))
        return True

    def choice(self, node: Node, words: Iterable[str], where: str) -> bool:
        listed = ", ".join(words)
        if node.kind != "text" or node.is_null:
            return self.wrong(node, where, f"one of {listed}")
        if node.text not in words:
            hint = did_you_mean(node.text, words)
            return self.report("not-one-of", node, f"{where} is {described(node)}, not one of {listed}", hint)
        return True

    def truth(self, node: Node, where: str) -> bool:
        if _is_truth(node):
            return True
        hint = ""
        if node.kind == "text" and node.text.lower() in ("true", "yes", "on", "y"):
            hint = "write `true`" + ("" if node.plain else ", without quotes")
        elif node.kind == "text" and node.text.lower() in ("false", "no", "off", "n"):
            hint = "write `false`" + ("" if node.plain else ", without quotes")
        return self.wrong(node, where, "true or false", hint)

    def whole(self, node: Node, shape: Whole, where: str) -> bool:
        value = _whole_number(node)
        if value is not None and shape.least <= value <= shape.most:
            return True
        if shape.least == shape.most:
            message = f"{where} is {described(node)}; this version reads format {shape.least}"
            return self.report("unknown-format", node, message, f"write `{where.strip('`')}: {shape.least}`")
        if not (node.kind == "text" and node.plain and INTEGER.match(node.text)):
            return self.wrong(node, where, "a whole number", "" if node.is_null else "write digits, without quotes")
        message = f"{where} is {described(node)}, not between {shape.least} and {shape.most}"
        return self.report("out-of-range", node, message)


MOST_SEARCHES = 1_000
_NAME_HINT = "a letter, then letters, digits, `_`, at most 100"
_ONE = {
    "subsystems": "subsystem",
    "signals": "signal",
    "conditions": "condition",
    "functions": "function",
    "faults": "fault",
    "common_causes": "common cause",
    "hazards": "hazard",
    "requirements": "requirement",
    "scenarios": "scenario",
    "events": "event",
}


def _is_truth(node: Node) -> bool:
    return node.kind == "text" and node.plain and node.text in ("true", "false")


def _whole_number(node: Node) -> int | None:
    """The whole number that a node is as data: unquoted, of fewer than 19 characters."""
    value = node.data() if node.kind == "text" else None
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _advice(node: Node, shape: Form) -> str:
    text = node.text.strip()
    if shape.slug == "bad-duration":
        if re.match(r"-", text):
            return "a duration is not negative"
        if re.match(r"[0-9]+(\.[0-9]+)?$", text):
            return f"add the unit: `{text} ms`, `{text} s` or `{text} min`"
        return "the units are ms, s and min"
    if shape.slug == "bad-rate":
        return "failures in an hour: write a number and `/ h`"
    if shape.slug == "bad-quantity":
        return "write a number, not negative, and its unit"
    return _name_advice(text) or _NAME_HINT


def _name_advice(text: str) -> str:
    if re.match(r"[0-9_]", text):
        return "a name begins with a letter"
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_.]*([\s-]+[A-Za-z0-9_.]+)+", text) and len(text) <= 100:
        return f"join the words by `_`: {re.sub(r'[^A-Za-z0-9_.]+', '_', text)}"
    return ""
