"""What a contrast says against its margin."""

from __future__ import annotations

from generator.evidence.records import Verdict

Interval = tuple[float, float]

MORE: Verdict = "more"
LESS: Verdict = "less"
PERHAPS_MORE: Verdict = "more, perhaps too little to matter"
PERHAPS_LESS: Verdict = "less, perhaps too little to matter"
NO_DIFFERENCE: Verdict = "no difference that matters"
NOT_SETTLED: Verdict = "not settled"

DIRECTIONS: tuple[Verdict, ...] = (MORE, LESS, PERHAPS_MORE, PERHAPS_LESS)
# An exploratory contrast shows a direction only below this adjusted p-value, the 5 % behind a 95 % interval.
ALPHA = 0.05


def verdict(interval95: Interval, interval90: Interval, margin: float | None) -> Verdict:
    """Verdict of one contrast from its intervals and its margin, all in one unit.

    interval95  two-sided 95 % interval of treatment minus baseline
    interval90  two-sided 90 % interval: inside the margin just when both one-sided tests at 5 % pass
    margin      smallest difference that would matter, positive; None where none was set

    In this order: the 95 % interval lies wholly beyond the margin: more, less. It leaves out zero and still
    holds the margin: more or less, perhaps too little to matter. The 90 % interval lies inside the margins:
    no difference that matters, also where it leaves out zero. Else not settled. Without a margin only more,
    less and not settled are possible.
    Raises  ValueError for an interval that runs backwards or is not a number, or a margin that is not positive
    """
    for low, high in (interval95, interval90):
        if not low <= high:
            raise ValueError(f"an interval runs from low to high: {low} to {high}")
    low, high = interval95
    if margin is None:
        return MORE if low > 0.0 else LESS if high < 0.0 else NOT_SETTLED
    if not margin > 0.0:
        raise ValueError(f"a margin is positive: {margin}")
    if low > margin:
        return MORE
    if high < -margin:
        return LESS
    if low > 0.0 and high >= margin:
        return PERHAPS_MORE
    if high < 0.0 and low <= -margin:
        return PERHAPS_LESS
    return NO_DIFFERENCE if inside(interval90, margin) else NOT_SETTLED


def exploratory_verdict(
    interval95: Interval,
    interval90: Interval,
    margin: float | None,
    p_adjusted: float | None,
    p_equivalence: float,
) -> Verdict:
    """Verdict of an exploratory contrast: definite only if its adjusted p-value is below 5 %.

    p_adjusted     Holm's, over all exploratory contrasts of the session; None counts as not below
    p_equivalence  of the two one-sided tests, adjusted likewise; nan without a margin counts as not below
    Where a direction falls away, the contrast is not settled, since its interval reaches the margin; where "no
    difference" falls away it is not settled either. So each kind of false finding has 5 % in the whole family.
    """
    found = verdict(interval95, interval90, margin)
    if found == NO_DIFFERENCE:
        return found if p_equivalence < ALPHA else NOT_SETTLED
    if found not in DIRECTIONS or (p_adjusted is not None and p_adjusted < ALPHA):
        return found
    return NOT_SETTLED


def inside(interval90: Interval, margin: float) -> bool:
    """Whether the 90 % interval lies inside plus and minus the margin."""
    return -margin < interval90[0] and interval90[1] < margin


def direction(found: Verdict) -> int:
    """+1 for the verdicts that say more, -1 for less, 0 for the rest."""
    return {MORE: 1, PERHAPS_MORE: 1, LESS: -1, PERHAPS_LESS: -1}.get(found, 0)
