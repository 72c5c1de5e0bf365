"""Several questions asked of one session: p-values adjusted for their number."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Holm's step-down adjusted p-values, shape (n,) like the input and in its order.

    A nan (a contrast that could not be computed) stays nan and does not count towards the family.
    Raises  ValueError for a value outside 0 to 1, or for more than one dimension
    Source  S. Holm, Scandinavian Journal of Statistics 6 (1979) 65-70
    """
    p = np.atleast_1d(np.asarray(p_values, dtype=np.float64))
    if p.ndim != 1:
        raise ValueError(f"p-values must be a plain list, got shape {p.shape}")
    known = ~np.isnan(p)
    family = p[known]
    if ((family < 0.0) | (family > 1.0)).any():
        raise ValueError("a p-value lies between 0 and 1")
    ranking = np.argsort(family, kind="stable")
    still_in_play = np.arange(family.size, 0, -1)
    stepped = np.maximum.accumulate(still_in_play * family[ranking])
    adjusted = np.full(p.shape, np.nan)
    placed = np.empty(family.size)
    placed[ranking] = np.minimum(stepped, 1.0)
    adjusted[known] = placed
    return adjusted
