"""The grammar of expressions: trees, binding, places, and what a misreading says."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safetymodel.spec.expressions import (
    MOST_DEPTH,
    RESERVED,
    Expression,
    Is,
    Joined,
    Literal,
    Members,
    Misread,
    Named,
    Negation,
    Struck,
    Word,
    parse_expression,
)


def parsed(text: str) -> Expression:
    tree = parse_expression(text)
    assert not isinstance(tree, Misread), tree
    return tree


def test_atoms() -> None:
    assert parsed("true") == Literal(True)
    assert parsed("false") == Literal(False)
    assert parsed("shut_seen") == Named(Word("shut_seen", 0))
    assert parsed("fault f1") == Struck(Word("f1", 6))
    assert parsed("door is open|ajar") == Is(Word("door", 0), (Word("open", 8), Word("ajar", 13)), False)
    assert parsed("lamp.left is not lit") == Is(Word("lamp.left", 0), (Word("lit", 17),), True)
    assert parsed("self is lit") == Is(Word("self", 0), (Word("lit", 8),), False)


@pytest.mark.parametrize(
    ("text", "how", "number"),
    [
        ("every lamp is lit", "every", 0),
        ("some lamp is lit", "some", 0),
        ("no lamp is lit", "no", 0),
        ("at least 2 of lamp are lit", "at least", 2),
        ("at most 3 of lamp are lit", "at most", 3),
        ("exactly 1 of lamp is lit", "exactly", 1),
    ],
)
def test_members(text: str, how: str, number: int) -> None:
    tree = parsed(text)
    assert isinstance(tree, Members)
    assert (tree.how, tree.family.text, tree.states[0].text, tree.negated) == (how, "lamp", "lit", False)
    assert tree.number == number or how in ("every", "some", "no")
    denied = parsed(text.replace(" lit", " not lit|dim"))
    assert isinstance(denied, Members)
    assert denied.negated
    assert len(denied.states) == 2


def test_binding() -> None:
    a, b, c = (Named(Word(n, i)) for n, i in (("a", 0), ("b", 5), ("c", 11)))
    assert parsed("a or b and c") == Joined("or", (a, Joined("and", (b, c))))
    not_first = parsed("not a and b")
    assert isinstance(not_first, Joined)
    assert isinstance(not_first.parts[0], Negation)
    grouped = parsed("not (a and b)")
    assert isinstance(grouped, Negation)
    assert isinstance(parsed("(a or b) and c"), Joined)
    assert parsed("a and b and c") == Joined("and", (a, Named(Word("b", 6)), Named(Word("c", 12))))


@pytest.mark.parametrize("word", ["notified", "android", "order", "true_now", "faulty", "everyone", "island", "none"])
def test_names_that_begin_like_words(word: str) -> None:
    assert parsed(word) == Named(Word(word, 0))
    assert parsed(f"{word} is {word}") == Is(Word(word, 0), (Word(word, len(word) + 4),), False)


@pytest.mark.parametrize("word", sorted(set(RESERVED) - {"true", "false", "self"}))
def test_words_of_the_expressions_are_no_names(word: str) -> None:
    assert isinstance(parse_expression(word), Misread)
    assert isinstance(parse_expression(f"fault {word}"), Misread)


@pytest.mark.parametrize(
    ("text", "offset", "length"),
    [
        ("", 0, 1),
        ("door is", 7, 1),
        ("door = open", 5, 1),
        ("door is open and", 16, 1),
        ("(door is open", 13, 1),
        ("door is open)", 12, 1),
        ("door is open && x", 13, 1),
        ("door is open AND x", 13, 3),
        ("every door open", 11, 4),
        ("at least two of door are open", 9, 3),
        ("door is open, x", 12, 1),
        ("door is 'open'", 8, 1),
        ("a is b\n  and c is 5", 18, 1),
        ("at least 9999999999 of door are open", 9, 10),
    ],
)
def test_places_of_mistakes(text: str, offset: int, length: int) -> None:
    found = parse_expression(text)
    assert isinstance(found, Misread)
    assert (found.offset, found.length) == (offset, length), found
    assert found.message


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("a == b", "write `is` or `is not`"),
        ("a && b", "write `and`, `or`, `not`; `|` stands between states only"),
        ("A AND B", "write `and` in small letters"),
        ("a is 'b'", "a name stands without quotes"),
        ("a is b, c is d", "join conditions by `and` or `or`, states by `|`"),
        ("(a", "a bracket is not closed"),
        ("a)", "this bracket was never opened"),
        ("a-b is c", "a name has letters A to Z, digits and `_` only"),
        ("a is 3", "a name begins with a letter"),
    ],
)
def test_hints(text: str, hint: str) -> None:
    found = parse_expression(text)
    assert isinstance(found, Misread)
    assert found.hint == hint


def test_depth_is_bounded_and_counted_as_a_whole() -> None:
    for opening, closing in (("(", ")"), ("not ", ""), ("not (", ")"), ("not not (", ")")):
        each = opening.count("(") + opening.count("not")
        most = MOST_DEPTH // each
        assert not isinstance(parse_expression(opening * most + "a" + closing * most), Misread), opening
        more = most + 1
        assert isinstance(parse_expression(opening * more + "a" + closing * more), Misread), opening
    assert not isinstance(parse_expression(" and ".join(["not (a or not b)"] * 900)), Misread)
    assert not isinstance(parse_expression(" or ".join(["x is not a"] * 900)), Misread)


ATOMS = st.sampled_from(["a", "b is c", "b is not c|d", "fault f", "every g is h", "at least 2 of g are h", "true"])


def _compound(parts: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(
        parts.map(lambda p: f"not ({p})"),
        st.tuples(parts, st.sampled_from(["and", "or"]), parts).map(lambda t: f"({t[0]}) {t[1]} ({t[2]})"),
    )


@settings(max_examples=150, deadline=None)
@given(st.recursive(ATOMS, _compound, max_leaves=12))
def test_white_space_and_brackets_change_nothing(text: str) -> None:
    tree = parsed(text)
    assert shape(parsed(f"({text})")) == shape(tree)
    assert shape(parsed(text.replace(" ", "\n\t "))) == shape(tree)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="ab |()&is notadre.125_\n'", max_size=40))
def test_any_text_gives_a_tree_or_a_place_in_it(text: str) -> None:
    found = parse_expression(text)
    if isinstance(found, Misread):
        assert 0 <= found.offset <= len(text)
        assert found.length >= 1


def shape(tree: Expression) -> object:
    """A tree without its places."""
    match tree:
        case Literal(value):
            return value
        case Negation(part):
            return ("not", shape(part))
        case Joined(word, parts):
            return (word, *(shape(part) for part in parts))
        case Named(name) | Struck(name):
            return (type(tree).__name__, name.text)
        case Is(name, states, negated):
            return (name.text, tuple(s.text for s in states), negated)
        case Members():
            return (tree.how, tree.number, tree.family.text, tuple(s.text for s in tree.states), tree.negated)


def test_truth_of_a_small_tree() -> None:
    """`or` of `and`s, read off by values: binding means what people expect."""
    tree = parsed("not a and b or c")

    def value(node: Expression, of: dict[str, bool]) -> bool:
        if isinstance(node, Named):
            return of[node.name.text]
        if isinstance(node, Negation):
            return not value(node.part, of)
        assert isinstance(node, Joined)
        parts = [value(part, of) for part in node.parts]
        return all(parts) if node.word == "and" else any(parts)

    for a, b, c in itertools.product([False, True], repeat=3):
        assert value(tree, {"a": a, "b": b, "c": c}) == (((not a) and b) or c)
