"""The statements of our own DOT text, read back for tests: nodes, edges and what they say."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

_PAIR = re.compile(r'(\w+)=("(?:[^"\\]|\\.)*"|[^,\]\s]+)')
_NODE = re.compile(r"\s*(\w+) \[(.*)\];")
_EDGE = re.compile(r"\s*(\w+) -> (\w+)(?: \[(.*)\])?;")


@dataclass
class Read:
    """``nodes`` by name; ``edges`` in order as (source, target, attributes)."""

    nodes: dict[str, dict[str, str]] = field(default_factory=dict)
    edges: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)

    def between(self, source: str, target: str) -> list[dict[str, str]]:
        return [pairs for a, b, pairs in self.edges if (a, b) == (source, target)]


def read_dot(text: str) -> Read:
    """Every node and edge statement, common settings and the key left out."""
    read = Read()
    for line in text.splitlines():
        if edge := _EDGE.fullmatch(line):
            read.edges.append((edge[1], edge[2], _pairs(edge[3] or "")))
        elif (node := _NODE.fullmatch(line)) and node[1] not in ("graph", "node", "edge", "key"):
            read.nodes[node[1]] = _pairs(node[2])
    return read


def _pairs(text: str) -> dict[str, str]:
    return {key: _plain(value) for key, value in _PAIR.findall(text)}


def _plain(value: str) -> str:
    """What a label shows, its lines joined by newlines."""
    if not value.startswith('"'):
        return value
    shown = re.sub(r"\\(.)", lambda m: "\n" if m[1] in "nlr" else m[1], value[1:-1])
    return shown.replace("&amp;", "&").removesuffix("\n")
