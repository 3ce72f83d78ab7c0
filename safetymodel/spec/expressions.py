"""The expressions of the format: a grammar and a tree that knows its places. The one room that knows lark.

Parsed by the grammar below, never evaluated as program text.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any, TypeAlias

MOST_CHARACTERS = 20_000
MOST_DEPTH = 60
MOST_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Word:
    """A name as it stands in an expression, with its offset in the text."""

    text: str
    offset: int = field(compare=False)


@dataclass(frozen=True, slots=True)
class Literal:
    value: bool


@dataclass(frozen=True, slots=True)
class Named:
    """A signal or condition by its bare name."""

    name: Word


@dataclass(frozen=True, slots=True)
class Struck:
    """``fault NAME``."""

    name: Word


@dataclass(frozen=True, slots=True)
class Is:
    """``NAME is A|B`` or ``NAME is not A|B``."""

    name: Word
    states: tuple[Word, ...]
    negated: bool


@dataclass(frozen=True, slots=True)
class Members:
    """``every FAMILY is A|B`` and its kin; ``how`` is every, some, no, at least, at most or exactly."""

    how: str
    number: int
    family: Word
    states: tuple[Word, ...]
    negated: bool


@dataclass(frozen=True, slots=True)
class Negation:
    part: Expression


@dataclass(frozen=True, slots=True)
class Joined:
    """``and`` or ``or`` between two or more parts."""

    word: str
    parts: tuple[Expression, ...]


Expression: TypeAlias = Literal | Named | Struck | Is | Members | Negation | Joined


@dataclass(frozen=True, slots=True)
class Misread:
    """Where and why a text is no expression."""

    offset: int
    length: int
    message: str
    hint: str = ""


GRAMMAR = r"""
?start: either
?either: both ("or" both)*           -> either
?both: denial ("and" denial)*        -> both
?denial: "not" denial                -> denial
       | atom
?atom: "(" either ")"
     | "true"                        -> yes
     | "false"                       -> no
     | "fault" NAME                  -> struck
     | NAME "is" states              -> is_in
     | NAME "is" "not" states        -> is_not_in
     | quantity NAME _verb states        -> members
     | quantity NAME _verb "not" states  -> members_not
     | NAME                          -> named
_verb: "is" | "are"
quantity: "every"                    -> every
        | "some"                     -> some
        | "no"                       -> none
        | "at" "least" NUMBER "of"   -> at_least
        | "at" "most" NUMBER "of"    -> at_most
        | "exactly" NUMBER "of"      -> exactly
states: NAME ("|" NAME)*
NAME: /[A-Za-z][A-Za-z0-9_]*(\.[A-Za-z][A-Za-z0-9_]*)?/
NUMBER: /[0-9]+/
%ignore /[ \t\r\n]+/
"""

RESERVED = ("not", "and", "or", "true", "false", "fault", "every", "some", "no", "at", "exactly", "self", "is", "are")
"""Words that cannot name what an expression may begin with."""

_IN_WORDS = {
    "NAME": "a name",
    "NUMBER": "a number",
    "IS": "`is`",
    "ARE": "`are`",
    "NOT": "`not`",
    "AND": "`and`",
    "OR": "`or`",
    "OF": "`of`",
    "LPAR": "`(`",
    "RPAR": "`)`",
    "VBAR": "`|`",
    "$END": "the end",
    "LEAST": "`least`",
    "MOST": "`most`",
}
_BEGINNINGS = {"TRUE", "FALSE", "FAULT", "EVERY", "SOME", "NO", "AT", "EXACTLY"}


_STATE_WORDS = tuple(word for word in RESERVED if word not in ("not", "and", "or"))


class _Refused(Exception):
    """A word that the grammar lets pass and the format does not; carries the parts of a :class:`Misread`."""


@cache
def _grammar() -> Any:
    from lark import Lark, Transformer, v_args

    def word(token: Any, allowed: tuple[str, ...] = ("self",)) -> Word:
        if token in RESERVED and token not in allowed:
            message = f"expected a name, found `{token}`"
            raise _Refused(token.start_pos, len(token), message, "it is a word of the expressions")
        return Word(str(token), token.start_pos)

    def count(token: Any) -> int:
        if len(token) > MOST_DIGITS:
            raise _Refused(
                token.start_pos, len(token), f"a number of more than {MOST_DIGITS} digits", "write a smaller one"
            )
        return int(token)

    @v_args(inline=True)
    class Tree(Transformer[Any, Any]):
        def yes(self) -> Literal:
            return Literal(True)

        def no(self) -> Literal:
            return Literal(False)

        def struck(self, name: Any) -> Struck:
            return Struck(word(name))

        def named(self, name: Any) -> Named:
            return Named(word(name))

        def is_in(self, name: Any, states: tuple[Word, ...]) -> Is:
            return Is(word(name), states, False)

        def is_not_in(self, name: Any, states: tuple[Word, ...]) -> Is:
            return Is(word(name), states, True)

        def states(self, *names: Any) -> tuple[Word, ...]:
            return tuple(word(name, _STATE_WORDS) for name in names)

        def members(self, how: tuple[str, int], family: Any, states: tuple[Word, ...]) -> Members:
            return Members(*how, word(family), states, False)

        def members_not(self, how: tuple[str, int], family: Any, states: tuple[Word, ...]) -> Members:
            return Members(*how, word(family), states, True)

        def every(self) -> tuple[str, int]:
            return "every", 0

        def some(self) -> tuple[str, int]:
            return "some", 1

        def none(self) -> tuple[str, int]:
            return "no", 0

        def at_least(self, number: Any) -> tuple[str, int]:
            return "at least", count(number)

        def at_most(self, number: Any) -> tuple[str, int]:
            return "at most", count(number)

        def exactly(self, number: Any) -> tuple[str, int]:
            return "exactly", count(number)

        def denial(self, part: Expression) -> Negation:
            return Negation(part)

        def either(self, *parts: Expression) -> Expression:
            return parts[0] if len(parts) == 1 else Joined("or", parts)

        def both(self, *parts: Expression) -> Expression:
            return parts[0] if len(parts) == 1 else Joined("and", parts)

    return Lark(GRAMMAR, parser="lalr", lexer="contextual", transformer=Tree(), propagate_positions=False)


@lru_cache(maxsize=20_000)
def parse_expression(text: str) -> Expression | Misread:
    """The tree of an expression, or where and why it is none."""
    from lark.exceptions import UnexpectedCharacters, UnexpectedToken

    if len(text) > MOST_CHARACTERS:
        return Misread(0, 1, f"an expression of more than {MOST_CHARACTERS:,} characters", "define parts as conditions")
    deep = _too_deep(text)
    if deep is not None:
        return Misread(deep, 1, f"brackets and `not` nested more than {MOST_DEPTH} deep", "define parts as conditions")
    if not text.strip():
        return Misread(0, 1, "an expression is missing", "for example: door is closed")
    try:
        tree: Expression = _grammar().parse(text)
    except _Refused as refused:
        return Misread(*refused.args)
    except UnexpectedToken as error:
        offset = len(text.rstrip()) if error.token.type == "$END" else (error.token.start_pos or 0)
        found = "the end" if error.token.type == "$END" else f"`{error.token}`"
        expected = _expected(error.accepts or error.expected)
        length = 1 if error.token.type == "$END" else len(str(error.token))
        return Misread(offset, length, f"expected {expected}, found {found}", _advice(text, offset))
    except UnexpectedCharacters as error:
        offset = error.pos_in_stream or 0
        open_brackets = text.count("(", 0, offset) > text.count(")", 0, offset)
        expected = _expected((error.allowed or set()) - (set() if open_brackets else {"RPAR"}))
        return Misread(offset, 1, f"expected {expected}, found `{text[offset]}`", _advice(text, offset))
    return tree


def _expected(terminals: set[str]) -> str:
    names = set(terminals)
    words = []
    if len(names & _BEGINNINGS) > 2:
        names -= _BEGINNINGS | {"NAME", "LPAR", "NOT"}
        words.append("a name or the beginning of a condition")
    words += sorted(_IN_WORDS.get(name, f"`{name.lower()}`") for name in names)
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1] if words else "something else"


def _advice(text: str, offset: int) -> str:
    rest = text[offset:]
    if rest.startswith(("==", "!=", "=")):
        return "write `is` or `is not`"
    if rest.startswith(("&", "|", "!", "~")):
        return "write `and`, `or`, `not`; `|` stands between states only"
    if rest.startswith(('"', "'")):
        return "a name stands without quotes"
    if rest.startswith((",", ";")):
        return "join conditions by `and` or `or`, states by `|`"
    word = re.match(r"[A-Za-z]+", rest)
    if word and word[0].lower() in RESERVED and word[0] != word[0].lower():
        return f"write `{word[0].lower()}` in small letters"
    if rest[:1].isdigit() or rest.startswith("_"):
        return "a name begins with a letter"
    if (rest and not rest[:1].isascii()) or rest.startswith(("-", ".", "/")):
        return "a name has letters A to Z, digits and `_` only"
    if not rest.strip() and text.count("(") > text.count(")"):
        return "a bracket is not closed"
    if rest.startswith(")"):
        return "this bracket was never opened"
    return ""


_PIECE = re.compile(r"[A-Za-z_][A-Za-z0-9_.]*|[()]")


def _too_deep(text: str) -> int | None:
    """The offset at which brackets and denials are nested too deep, counted together."""
    levels: list[int] = []
    inside, denials, before = 0, 0, ""
    for match in _PIECE.finditer(text):
        piece = match[0]
        if piece == "(":
            levels.append(denials + 1)
            inside += denials + 1
            denials = 0
        elif piece == ")":
            denials = 0
            inside -= levels.pop() if levels else 0
        elif piece == "not" and before not in ("is", "are"):
            denials += 1
        elif piece != "not":
            denials = 0
        before = piece
        if inside + denials > MOST_DEPTH:
            return match.start()
    return None
