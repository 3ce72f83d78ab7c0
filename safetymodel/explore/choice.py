"""Which engine a model gets, and why."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from safetymodel.explore.engine import Limits, Progress, Space, no_limit
from safetymodel.model.system import System

EngineName = Literal["auto", "product", "symbolic"]

SMALL = 100_000
"""States up to which writing every one of them down is as quick as anything."""

FEW = 20_000
"""States up to which nothing is said of those to come ..."""

FORESEEN = 3
"""... and how many times :data:`SMALL` there must be more of to come, for the explicit engine to stop before that."""

DEEP = 40
"""Ticks of the longest clock from which on a walk, layer by layer, is slow."""

MOST_WRITTEN = 6_000_000
"""States that the explicit engine writes down where the user gives no limit."""


@dataclass(frozen=True, slots=True)
class Explored:
    """The reached states under each fault budget, by which engine, and why that one."""

    engine: Literal["product", "symbolic"]
    reason: str
    spaces: Mapping[int, Space[Any]]
    seconds: float = 0.0
    """What it took, wall clock."""

    @property
    def largest(self) -> int:
        """States under the largest budget."""
        return max(space.size(space.reached) for space in self.spaces.values())


def explore(
    system: System,
    budgets: Sequence[int],
    engine: EngineName = "auto",
    limits: Limits | None = None,
    progress: Progress | None = None,
    on_sets: Callable[[], None] = no_limit,
) -> Explored:
    """Explore under every budget (ascending). The largest is explored once; the others are parts of it. ``on_sets`` is
    called now and then while the symbolic engine explores."""
    started = time.monotonic()
    found = _chosen(system, budgets, engine, limits or Limits(), started, progress, on_sets)
    return replace(found, seconds=time.monotonic() - started)


def _chosen(
    system: System,
    budgets: Sequence[int],
    engine: EngineName,
    limits: Limits,
    started: float,
    progress: Progress | None,
    on_sets: Callable[[], None],
) -> Explored:
    def left() -> Limits:
        if limits.seconds is None:
            return limits
        return replace(limits, seconds=max(0.0, limits.seconds - (time.monotonic() - started)))

    if engine == "product":
        return Explored("product", "asked for", _product(system, budgets, left(), progress))
    if engine == "symbolic":
        return Explored("symbolic", "asked for", _symbolic(system, budgets, left(), progress, on_sets))
    deepest = max((max(s.longest) for s in system.subsystems), default=0)
    if deepest > DEEP:
        reason = f"a clock runs for {deepest:,} ticks"
        return Explored("symbolic", reason, _symbolic(system, budgets, left(), progress, on_sets))
    few = min(SMALL, limits.states or SMALL)
    from safetymodel.explore.product import Product, ProductSpace

    useful = [min(budget, len(system.faults)) for budget in budgets]
    product = Product(system, useful[-1], replace(left(), states=few), progress, _far_too_many)
    if not product.shortfall:
        spaces = {budget: ProductSpace(product, k) for budget, k in zip(budgets, useful, strict=True)}
        return Explored("product", f"at most {SMALL:,} states: each is written down", spaces)
    reason = f"more than {SMALL:,} states" if product.too_many_states else product.shortfall
    return Explored("symbolic", reason, _symbolic(system, budgets, left(), progress, on_sets))


def _far_too_many(known: Sequence[int]) -> bool:
    """Whether the explicit engine can be spared the rest of its try: there would be several times as many states as it
    may write down if the next happening brings as many times more as the last one did."""
    return known[-1] > FEW and known[-1] ** 2 > FORESEEN * SMALL * known[-2]


def _product(
    system: System, budgets: Sequence[int], limits: Limits, progress: Progress | None
) -> dict[int, Space[Any]]:
    from safetymodel.explore.product import Product, ProductSpace

    capped = replace(limits, states=limits.states or MOST_WRITTEN)
    useful = [min(budget, len(system.faults)) for budget in budgets]
    product = Product(system, useful[-1], capped, progress)
    if not product.shortfall:
        return {budget: ProductSpace(product, k) for budget, k in zip(budgets, useful, strict=True)}
    # The largest budget is out of reach: give the smaller ones what they can get.
    found: dict[int, Space[Any]] = {}
    cut_off = False
    for budget, k in zip(budgets[:-1], useful[:-1], strict=True):
        if not cut_off:
            smaller = Product(system, k, capped, progress)
            cut_off = bool(smaller.shortfall)
            found[budget] = ProductSpace(smaller)
        else:
            found[budget] = ProductSpace(product, k)
    found[budgets[-1]] = ProductSpace(product)
    return found


def _symbolic(
    system: System, budgets: Sequence[int], limits: Limits, progress: Progress | None, on_sets: Callable[[], None]
) -> dict[int, Space[Any]]:
    from safetymodel.explore.symbolic import Symbolic, SymbolicSpace

    useful = [min(budget, len(system.faults)) for budget in budgets]
    symbolic = Symbolic(system, useful[-1], limits, progress, on_sets=on_sets)
    return {budget: SymbolicSpace(symbolic, k) for budget, k in zip(budgets, useful, strict=True)}
