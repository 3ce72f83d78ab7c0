"""YAML text to a tree of nodes that know their place. The one room that knows ruamel.yaml.

The format uses YAML 1.2 without tags; a plain `on`, `off`, `yes` or `no` is a word. Everything is
bounded before it is believed: size, depth, number of nodes, what aliases unfold to.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from safetymodel.files import is_input
from safetymodel.problems import Problem
from safetymodel.span import Span

MOST_BYTES = 4_000_000
MOST_DEPTH = 40
MOST_NODES = 60_000
MOST_ALIASES = 1_000
_DEEP = f"nested more than {MOST_DEPTH} levels deep"

# Control characters, line ends that editors do not show as such, and marks that change the order of reading.
_CONTROL = re.compile(
    "[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f-\\x9f\\u2028\\u2029\\u202a-\\u202e\\u2066-\\u2069\\ufeff\\ufffe\\uffff]"
)
INTEGER = re.compile(r"[-+]?[0-9]+\Z")


@dataclass(slots=True)
class Node:
    """A value of the file: ``text`` (with ``plain`` true where it was not quoted), ``list`` or ``map``.

    ``start`` and ``end`` are positions in the source text. ``size`` counts it and all below it,
    aliases unfolded. ``lost`` names keys that were taken out because their values did not fit.
    """

    kind: Literal["text", "list", "map"]
    line: int
    column: int
    start: int
    end: int
    text: str = ""
    plain: bool = True
    items: list[Node] = field(default_factory=list)
    pairs: list[tuple[Node, Node]] = field(default_factory=list)
    size: int = 1
    depth: int = 1
    lost: list[str] = field(default_factory=list)

    def get(self, key: str) -> Node | None:
        """The value of a key of a map, None where there is none or this is no map."""
        return next((value for name, value in self.pairs if name.text == key), None)

    def key(self, key: str) -> Node | None:
        """The node of the key itself."""
        return next((name for name, _ in self.pairs if name.text == key), None)

    @property
    def is_null(self) -> bool:
        return self.kind == "text" and self.plain and self.text in ("", "~", "null", "Null", "NULL")

    def data(self) -> object:
        """Plain data: maps, lists, words; `true`, `false` and whole numbers where they stand unquoted.

        The depth is bounded by the reader, so recursion is too.
        """
        if self.kind == "map":
            return {name.text: value.data() for name, value in self.pairs}
        if self.kind == "list":
            return [item.data() for item in self.items]
        if self.plain:
            if self.is_null:
                return None
            if self.text in ("true", "false"):
                return self.text == "true"
            if INTEGER.match(self.text) and len(self.text) < 19:
                return int(self.text)
        return self.text


class Source:
    """The text of a spec file, for quoting lines and finding places."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.text = text
        self.lines = text.split("\n")
        self.starts = [0]
        for line in self.lines:
            self.starts.append(self.starts[-1] + len(line) + 1)
        self._visible: dict[int, tuple[Node, list[int]]] = {}

    def line(self, number: int) -> str:
        return self.lines[number - 1].rstrip("\r") if 0 < number <= len(self.lines) else ""

    def span(self, node: Node) -> Span:
        """The first line of a node."""
        first = self.line(node.line + 1)
        length = min(node.end - node.start, len(first) - node.column)
        return Span(self.file, node.line + 1, node.column + 1, max(1, length))

    def inside(self, node: Node, offset: int, length: int) -> Span:
        """The place of some characters of a text node, even folded over several lines.

        Folding changes white space only, so the characters that are none are counted; an escape in
        a quoted text makes the place a little inexact.
        """
        raw = self.text[node.start : node.end]
        if raw.startswith(node.text):
            position = offset
        elif raw[1:].startswith(node.text) and raw[:1] in "\"'":
            position = offset + 1
        else:
            position = self._folded(node, raw, offset)
        place = min(node.start + position, len(self.text))
        line = bisect_right(self.starts, place) - 1
        column = place - self.starts[line]
        return Span(self.file, line + 1, column + 1, max(1, min(length, len(self.lines[line]) - column)))

    def _folded(self, node: Node, raw: str, offset: int) -> int:
        if id(node) not in self._visible:
            skip = 0
            if raw[:1] in "|>" and not node.plain:
                skip = raw.find("\n") + 1
            elif raw[:1] in "\"'":
                skip = 1
            self._visible[id(node)] = (node, [n for n in range(skip, len(raw)) if not raw[n].isspace()])
        places = self._visible[id(node)][1]
        before = sum(not c.isspace() for c in node.text[:offset])
        if before < len(places):
            return places[before]
        return places[-1] + 1 if places else 0

    def problem(self, slug: str, span: Span, message: str, hint: str = "", **more: object) -> Problem:
        """A problem at a place of this file, with the source line."""
        return Problem(slug, span, message, hint, self.line(span.line), **more)  # type: ignore[arg-type]


def read_bytes(file: str) -> bytes | Problem:
    """The bytes of a file, or why there are none."""
    place = Span(file, 1)
    path = Path(file)
    try:
        if path.is_dir():
            return Problem("not-a-file", place, f"{file} is a folder", "name a spec file")
        if path.exists() and not path.is_file():
            return Problem("not-a-file", place, f"{file} is not a regular file", "name a spec file")
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        siblings = sorted(p.name for p in path.parent.glob("*.y*ml"))[:100] if path.parent.is_dir() else []
        from safetymodel.names import did_you_mean

        return Problem("no-such-file", place, f"there is no file {file}", did_you_mean(path.name, siblings))
    except (OSError, ValueError) as error:
        return Problem("cannot-read", place, f"cannot read {file}: {getattr(error, 'strerror', None) or error}")
    if len(data) > MOST_BYTES:
        hint = "split the system, or write alike subsystems as a family"
        return Problem("file-too-large", place, f"{file} has more than {MOST_BYTES:,} bytes", hint)
    is_input(file)
    return data


def decode(data: bytes, file: str) -> Source | Problem:
    """The text of the bytes: UTF-8 without control characters."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1
        message = f"byte 0x{data[error.start]:02x} is not UTF-8 text"
        return Problem("not-utf-8", Span(file, line, column), message, "save the file as UTF-8")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    source = Source(file, text)
    bad = _CONTROL.search(text)
    if bad:
        line = text.count("\n", 0, bad.start()) + 1
        column = bad.start() - (text.rfind("\n", 0, bad.start()) + 1) + 1
        message = f"the character U+{ord(bad.group()):04X} is not allowed in a spec"
        return source.problem("control-character", Span(file, line, column), message, "remove it; is this a text file?")
    return source


class Refused(Exception):
    """The text is not a tree that the format can use; carries the problem."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.message)
        self.problem = problem


def parse(source: Source) -> tuple[Node | None, tuple[Problem, ...]]:
    """The tree of the one document in the text, and what is wrong with it."""
    problems: list[Problem] = []
    try:
        root = _Builder(source, problems).build()
    except Refused as refused:
        return None, (*problems, refused.problem)
    except MarkedYAMLError as error:
        return None, (*problems, _syntax(source, error))
    except (ValueError, RecursionError, AttributeError, IndexError, TypeError, KeyError) as error:
        # ruamel.yaml lets a few of its own slips through on broken text
        message = f"this is not YAML that can be read ({type(error).__name__})"
        return None, (*problems, source.problem("yaml-syntax", Span(source.file, 1), message))
    return root, tuple(problems)


def _syntax(source: Source, error: MarkedYAMLError) -> Problem:
    """What the YAML parser found, in simple words, where the mistake was made rather than where it was noticed."""
    mark, opened = error.problem_mark or error.context_mark, error.context_mark
    what = " ".join(str(error.problem or "cannot be read").split())
    while_ = " ".join(str(error.context or "").split())
    message = "this is not YAML that can be read"
    hint = "check indentation, colons, brackets and quotes here and just above"
    others: tuple[Span, ...] = ()
    if "quoted scalar" in while_ and "end of stream" in what:
        mark, message, hint = opened, "this quote is never closed", "close it, or leave out both quotes"
    elif while_.startswith("while parsing a flow") and opened is not None:
        bracket = source.line(opened.line + 1)[opened.column : opened.column + 1]
        closing = {"[": "]", "{": "}"}.get(bracket, bracket)
        message = f"the `{bracket}` that begins here is not closed where it should be by `{closing}`"
        found = re.search(r"got (.*)$", what) or re.search(r"but found (.*)$", what)
        if mark is not None and found and "end" not in found[1]:
            others = (Span(source.file, opened.line + 1, opened.column + 1),)
            shown = source.line(mark.line + 1)[mark.column : mark.column + 1] or "the end of the line"
            message = f"expected `,` or `{closing}`, found `{shown}`"
            hint = "a text with `: ` or `,` in it needs quotes; is every bracket closed?"
            if not shown.strip(":,[]{}") and what.startswith("expected the node"):
                message, others = f"a value is missing before `{shown}`", ()
                hint = "write it, or remove the comma too many"
        else:
            mark, hint = opened, f"add `{closing}`"
    elif "cannot start any token" in what:
        character = source.line(mark.line + 1)[mark.column : mark.column + 1] if mark else ""
        if character == "\t":
            message, hint = "a tab stands where YAML wants spaces", "indent with spaces"
        else:
            message, hint = f"a value cannot begin with `{character}`", "put the text in quotes"
    elif "mapping values are not allowed" in what:
        message = "a second `: ` on one line, or a line that is indented too far"
        hint = "put a text that contains `: ` in quotes, or check the indentation"
        above = _line_above(source, mark.line + 1) if mark else 0
        text = source.line(above)
        if mark is not None and above and ": " not in source.line(mark.line + 1)[: mark.column]:
            tight = re.match(r"(\s*[A-Za-z0-9_-]+):\S", text)
            if tight:
                message, hint = "a blank is missing after this colon", "write `key: value`"
                return source.problem("yaml-syntax", Span(source.file, above, len(tight[1]) + 1), message, hint)
            if ":" not in text and not text.lstrip().startswith("-"):
                message, hint = "a colon is missing at the end of this line", f"write `{text.strip()[:40]}:`"
                return source.problem("yaml-syntax", Span(source.file, above, len(text.rstrip()) + 1), message, hint)
    elif "could not find expected ':'" in what:
        mark, message = opened, "this line has no `key: value`"
        hint = "add a colon and a blank after the key, or indent the line as a part of the text above"
    elif "expected <block end>" in what and mark is not None:
        if source.line(mark.line + 1)[: mark.column].strip(" -"):
            shown = source.line(mark.line + 1)[mark.column : mark.column + 1]
            message, hint = f"`{shown}` does not belong to the value before it", "put the whole text in quotes"
        else:
            message = "this line does not fit the indentation of the lines above it"
            hint = "entries of one section begin in the same column"
    elif "expected '<document start>'" in what:
        message = "this line does not continue what stands above it"
        hint = "sections begin in the first column; does each line above have its `key: value`?"
    elif "expected the node content" in what and mark is not None:
        shown = source.line(mark.line + 1)[mark.column : mark.column + 1]
        message, hint = f"a value cannot begin with `{shown}`", "is an opening bracket missing?"
    elif "sequence entries are not allowed" in what:
        message, hint = "an entry with a dash cannot stand here", "begin a line with it, indented like its neighbours"
    elif "block scalar" in while_:
        message = "after `>` or `|` the text begins on the next line"
        hint = "remove the mark, or put the text in quotes"
    elif while_.endswith(("an anchor", "an alias")):
        mark, message = opened, "`&` and `*` begin a name here"
        hint = "remove the mark, or put the text in quotes"
    elif "undefined tag handle" in what:
        message, hint = "YAML tags are not allowed", "put a text that begins with `!` in quotes"
    line, column = (mark.line, mark.column) if mark else (0, 0)
    line = min(line, max(0, len(source.lines) - 1))
    column = min(column, len(source.lines[line]))
    return source.problem("yaml-syntax", Span(source.file, line + 1, column + 1), message, hint, others=others)


def _line_above(source: Source, number: int) -> int:
    """The nearest line above that is neither empty nor a remark; 0 where there is none."""
    number -= 1
    while number and (not source.line(number).strip() or source.line(number).lstrip().startswith("#")):
        number -= 1
    return number


class _Builder:
    def __init__(self, source: Source, problems: list[Problem]) -> None:
        self.source = source
        self.problems = problems
        self.count = 0
        self.aliases = 0
        self.anchors: dict[str, Node] = {}

    def refuse(self, slug: str, node: Node, message: str, hint: str = "") -> Refused:
        return Refused(self.source.problem(slug, self.source.span(node), message, hint))

    def build(self) -> Node | None:
        reader = YAML(typ="safe", pure=True)
        root: Node | None = None
        open_nodes: list[Node] = []
        keys: list[Node | None] = []
        documents = 0
        for event in reader.parse(self.source.text):
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    here = self._node("text", event)
                    raise self.refuse("second-document", here, "a second document begins here", "one file, one system")
                continue
            if isinstance(event, MappingEndEvent | SequenceEndEvent):
                node = open_nodes.pop()
                keys.pop()
                node.end = event.end_mark.index
                if not open_nodes:
                    root = node
                else:
                    self._grow(open_nodes[-1], node)
                continue
            if isinstance(event, ScalarEvent | MappingStartEvent | SequenceStartEvent):
                node = self._start(event)
            elif isinstance(event, AliasEvent):
                node = self._alias(event, open_nodes)
            else:
                continue
            if open_nodes:
                self._attach(open_nodes[-1], keys, node)
            if isinstance(event, MappingStartEvent | SequenceStartEvent):
                open_nodes.append(node)
                keys.append(None)
                if len(open_nodes) > MOST_DEPTH:
                    raise self.refuse(
                        "nested-too-deep", node, f"nested more than {MOST_DEPTH} levels deep", "a spec needs seven"
                    )
            elif open_nodes:
                self._grow(open_nodes[-1], node)
            else:
                root = node
        return root

    def _node(self, kind: Literal["text", "list", "map"], event: object) -> Node:
        start, end = event.start_mark, event.end_mark  # type: ignore[attr-defined]
        return Node(kind, start.line, start.column, start.index, end.index)

    def _start(self, event: ScalarEvent | MappingStartEvent | SequenceStartEvent) -> Node:
        self.count += 1
        if isinstance(event, ScalarEvent):
            node = self._node("text", event)
            node.text, node.plain = event.value, not event.style
        else:
            node = self._node("map" if isinstance(event, MappingStartEvent) else "list", event)
        if self.count > MOST_NODES:
            raise self.refuse("too-much-content", node, f"more than {MOST_NODES:,} values in one file")
        if event.tag is not None and str(event.tag) != "!":
            written = self.source.text[node.start : node.end].split(maxsplit=1)[0][:60]
            raise self.refuse("yaml-tag", node, f"YAML tags such as {written} are not allowed", "remove the tag")
        if event.anchor is not None:
            self.anchors[event.anchor] = node
        return node

    def _alias(self, event: AliasEvent, open_nodes: list[Node]) -> Node:
        here = self._node("text", event)
        target = self.anchors.get(event.anchor)
        if target is None:
            raise self.refuse(
                "unknown-alias", here, f"there is no anchor &{event.anchor} above", "write the value itself"
            )
        if any(target is node for node in open_nodes):
            raise self.refuse(
                "cyclic-alias", here, f"*{event.anchor} stands inside what it stands for", "write the value itself"
            )
        self.aliases += 1
        self.count += target.size
        if self.aliases > MOST_ALIASES or self.count > MOST_NODES:
            raise self.refuse("too-many-aliases", here, "the aliases unfold to too much", "write the values themselves")
        if len(open_nodes) + target.depth > MOST_DEPTH:
            raise self.refuse(
                "nested-too-deep", here, f"nested more than {MOST_DEPTH} levels deep", "a spec needs seven"
            )
        return target

    def _attach(self, parent: Node, keys: list[Node | None], node: Node) -> None:
        if parent.kind == "list":
            parent.items.append(node)
            return
        key = keys[-1]
        if key is None:
            if node.kind != "text":
                raise self.refuse("key-not-a-word", node, "a key must be a word", "quote or rewrite it")
            keys[-1] = node
            return
        keys[-1] = None
        first = parent.key(key.text) if len(parent.pairs) < 40 else self._seen(parent, key.text)
        if first is not None:
            span, other = self.source.span(key), self.source.span(first)
            message = f"the key {key.text!r} is given twice"
            self.problems.append(self.source.problem("duplicate-key", span, message, "keep one", others=(other,)))
            parent.lost.append(key.text)
            return
        parent.pairs.append((key, node))

    def _seen(self, parent: Node, key: str) -> Node | None:
        index = self._indices.setdefault(id(parent), {})
        for name, _ in parent.pairs[len(index) :]:
            index[name.text] = name
        return index.get(key)

    @property
    def _indices(self) -> dict[int, dict[str, Node]]:
        if not hasattr(self, "_by_parent"):
            self._by_parent: dict[int, dict[str, Node]] = {}
        return self._by_parent

    def _grow(self, parent: Node, child: Node) -> None:
        parent.size += child.size
        parent.depth = max(parent.depth, child.depth + 1)
