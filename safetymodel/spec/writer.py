"""A description printed as the text of a spec file."""

from __future__ import annotations

import json
import re

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_.| /+-]*\Z")
_WORDS_OF_YAML = ("true", "false", "null")


def quoted(text: str) -> str:
    """A scalar that YAML reads back as exactly this text, without quotes where they are not needed."""
    if _PLAIN.match(text) and text == text.strip() and text.lower() not in _WORDS_OF_YAML:
        return text
    # JSON's strings are YAML's, but YAML refuses a few characters that JSON leaves as they are
    escaped = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in escaped)
