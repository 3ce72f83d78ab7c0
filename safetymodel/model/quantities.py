"""Numbers of a description as the system keeps them."""

from __future__ import annotations

from fractions import Fraction

from safetymodel.model.system import Approach, Failure
from safetymodel.spec.description import ApproachText, Duration, FailureText, Quantity


def value_of(quantity: Quantity | None) -> float | None:
    return None if quantity is None else quantity.value


def milliseconds_of(duration: Duration | None) -> Fraction | None:
    return None if duration is None else duration.ms


def failure_of(text: FailureText) -> Failure:
    return Failure(**{name: value_of(getattr(text, name)) for name in Failure.__slots__})


def approach_of(text: ApproachText | None) -> Approach | None:
    if text is None:
        return None
    return Approach(
        text.distance.value,
        text.span,
        value_of(text.speed),
        value_of(text.depth),
        value_of(text.height),
        milliseconds_of(text.stopping),
        text.text,
    )
