"""Why a total changes: a product of factors taken apart so that the parts add up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping


def log_mean(a: float, b: float) -> float:
    """Return the logarithmic mean (a - b) / (log a - log b) of two positive numbers, a where they are equal."""
    ratio = float(np.log(a / b))
    return b * float(np.expm1(ratio)) / ratio if abs(ratio) > 1e-12 else a


def parts_of_change(factors: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """Return each factor's part of the change of their product.

    With x = prod x_k the part of factor k is L(x1, x0) log(x1_k / x0_k), L the logarithmic mean: the parts add up to
    x1 - x0 exactly and do not depend on an order of the factors (additive LMDI, Ang 2004, Energy Policy 32:1131; from
    memory).

    Parameters
    ----------
    factors : mapping name -> (before, after), all > 0

    Raises
    ------
    ValueError
        When a factor is not positive.
    """
    if any(not (a > 0 and b > 0) for a, b in factors.values()):
        raise ValueError("every factor must be > 0")
    before = float(np.prod([a for a, _ in factors.values()]))
    after = float(np.prod([b for _, b in factors.values()]))
    mean = log_mean(after, before)
    return {name: mean * float(np.log(b / a)) for name, (a, b) in factors.items()}
