"""Pictures as part of a page: without names that could meet those of another picture, their states marked by number."""

from __future__ import annotations

import re

_GROUP = re.compile(r'<g id="(?:graph|node|edge|clust|a_\w*?)(\d+)" class="(graph|node|edge|cluster)"')
_ID = re.compile(r' id="[^"<>]*"')
_LINK = re.compile(r' xmlns:xlink="[^"]*"')
FIRST_STATE = 2
"""The drawing program numbers nodes as they come: the mark of the beginning first, then the states in their order."""


def inlined(svg: str, states: int = 0) -> str:
    """An SVG picture of ours for the middle of an HTML page.

    With ``states``, it is the diagram of a subsystem with so many: the group of each gets ``data-state`` with its
    number, so that a script can mark it.
    """

    def group(match: re.Match[str]) -> str:
        number = int(match[1]) - FIRST_STATE
        if match[2] == "node" and 0 <= number < states:
            return f'<g class="node" data-state="{number}"'
        return f'<g class="{match[2]}"'

    return _ID.sub("", _GROUP.sub(group, _LINK.sub("", svg))).strip()
