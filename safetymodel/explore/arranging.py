"""Another order of the bits for states that are known, if there is a better one: all that is asked of them costs as
much less."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from safetymodel.explore.decisions import Diagram, Movable
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.engine import LimitReached
from safetymodel.explore.ordering import Reading
from safetymodel.explore.places import Placing
from safetymodel.explore.sifting import sifted, sifted_again

CROWDED = 1500
"""Nodes of the states that are known from which on a better order of the bits is looked for ..."""

MOST_SIFTED = 60_000
"""... and up to which."""

WORTH_MOVING = 0.8
"""An order with so many times the nodes is worth beginning anew with what is known."""


@dataclass(frozen=True, slots=True)
class Arranged:
    """A better order of the subsystems, and the file with the states as their bits stand then."""

    order: tuple[int, ...]
    file: Path


@contextmanager
def arranged(
    encoding: Encoding, members: Diagram, most: int, on_work: Callable[[], None], much: bool = False
) -> Iterator[Arranged | None]:
    """None where there is no better order, or none is found by looking at ``most`` nodes. ``much``: so much is going to
    be asked that it is worth looking further. The file is there for the time being.

    A limit or a full disk on the way is no reason to stop: all is known, and stays as it is.
    """
    nodes = members.node_count()
    if not CROWDED <= nodes <= MOST_SIFTED:
        yield None
        return
    try:
        directory = tempfile.TemporaryDirectory(prefix="safetymodel-")
    except OSError:
        yield None
        return
    with directory:
        file = Path(directory.name) / "members"
        try:
            encoding.decisions.write(file, members)
            movable = Movable(encoding.decisions.bits, file)
            placing, places = Placing(encoding.system), encoding.places
            if much:
                order = sifted_again(movable, placing, places, most, on_work, Reading(encoding.system))
            else:
                order = sifted(movable, placing, places, most, on_work)
            found = None if movable.nodes > WORTH_MOVING * nodes else Arranged(order, file)
            if found is not None:
                movable.write(file)
        except (LimitReached, OSError):
            found = None
        del encoding, members  # whoever makes the next one may free this one before
        yield found
