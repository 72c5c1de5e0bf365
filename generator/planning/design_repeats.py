"""How many repeats settle each stated margin, for the analysis that will be made of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import groupby

from scipy import special

from generator.evidence.contrasts import compared_pairs
from generator.evidence.estimates import Design as Method
from generator.evidence.power import Repeats, power_beyond, power_equivalence
from generator.evidence.records import Family
from generator.evidence.wording import at_words, counted, listed, number, plain, written
from generator.intake.session import Margin, Session
from generator.planning.design_contrasts import (
    Expected,
    expected_responses,
    family_of,
    family_size,
    level_of,
)
from generator.planning.design_records import (
    FEWEST_CHOSEN,
    MOST_CHOSEN,
    Chosen,
    Level,
    Order,
    Scatter,
    Settling,
)
from generator.planning.design_scatter import Earlier, earlier_value, left_over_share, scatter_of
from generator.reduction.procedures import PROCEDURES
from generator.reduction.records import At, ResponseKind

CAP = 200  # repeats that are tried
_CELLS = 16  # equal shares of the probability over which the scatter's own doubt is averaged
EVEN = "; made even, so that no treatment is always first"
Values = Mapping[tuple[str, At], float]  # (response, condition) -> value foreseen for the baseline


def settling_power(
    repeats: int,
    ratio: float,
    alpha: float,
    *,
    method: Method = "blocks",
    dof: float = math.inf,
    left_over: float = 0.0,
) -> float:
    """Probability that a margin is settled by so many repeats a treatment.

    repeats    2 or more
    ratio      margin over the scatter of one run, > 0
    alpha      level of one comparison
    method     how the analysis will compare: "blocks" pairs inside blocks, "unpaired" is Welch, "drift" a line
    dof        degrees of freedom that the scatter is known with; infinite takes it as it is
    left_over  standard uncertainty of the difference that repeats cannot lessen, over the margin

    Settled means whatever is true: no difference is found to be none that matters (two one-sided tests), a difference
    of the margin shows its direction, and one of twice the margin is shown to lie beyond it. The last two are as
    likely as each other, and the worse of the two probabilities is returned. A scatter known from few runs may be
    larger than it looks: the power is averaged over what it may be, with weights of the chi-square distribution.
    Raises  ValueError for repeats below 2 or a ratio that is not positive
    Source  power: `evidence.power`. Averaging over an estimated variance: S. A. Julious and R. J. Owen, Pharmaceutical
            Statistics 5 (2006) 29-37, from memory; held against simulation in tests/benchmarks/coverage_plan.py
    """
    if repeats < 2:
        raise ValueError(f"a scatter needs two repeats: {repeats}")
    if not 0.0 < ratio < math.inf:
        raise ValueError(f"margin over scatter must be positive and finite: {ratio}")
    return _averaged(repeats, ratio, alpha, method, dof, left_over)


@lru_cache(maxsize=8192)
def _averaged(
    repeats: int, ratio: float, alpha: float, method: Method, dof: float, left_over: float
) -> float:
    if math.isinf(dof):
        return _settled(repeats, 1.0 / ratio, alpha, method, left_over)
    shares = [(cell + 0.5) / _CELLS for cell in range(_CELLS)]
    # true variance over estimated one: dof / chi-square
    inflation = [math.sqrt(dof / float(special.chdtri(dof, share))) for share in shares]
    return math.fsum(_settled(repeats, f / ratio, alpha, method, left_over) for f in inflation) / _CELLS


def _settled(n: int, sd: float, alpha: float, method: Method, left_over: float) -> float:
    """As settling_power for a known scatter, in margins."""
    paired, alike = method == "blocks", method == "drift"
    scatter = sd * math.sqrt(2.0) if paired else sd  # of one block's difference
    more = {"u_systematic": left_over, "paired": paired, "alike": alike}
    none = power_equivalence(n, 0.0, scatter, 1.0, alpha, **more)  # type: ignore[arg-type]
    direction = power_beyond(n, 1.0, scatter, 0.0, alpha, **more)  # type: ignore[arg-type]
    return min(none, direction)


def repeats_to_settle_margin(
    power: float,
    ratio: float,
    alpha: float,
    *,
    method: Method = "blocks",
    dof: float = math.inf,
    left_over: float = 0.0,
    cap: int = CAP,
) -> Repeats:
    """Fewest repeats a treatment (2 to cap) that settle a margin with a power; arguments as settling_power."""

    def reaches(n: int) -> bool:
        return settling_power(n, ratio, alpha, method=method, dof=dof, left_over=left_over) >= power

    low, high = 1, 2
    while not reaches(high):
        if high >= cap:
            return Repeats(count=cap, capped=True)
        low, high = high, min(2 * high, cap)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return Repeats(count=high, capped=False)


def method_of(session: Session) -> Method:
    """How the runs of a plan will be compared: as the session declares, else in the blocks that the plan makes."""
    return session.file.design or "blocks"


def settle_margins(
    session: Session,
    earlier: Earlier,
    kinds: Mapping[str, ResponseKind],
    values: Values,
    given: Mapping[str, Scatter],
) -> tuple[Settling, ...]:
    """Repeats for every margin of `matters`, conditions that ask for the same ones together.

    earlier  reduced sessions of the season
    values   what is foreseen of the baseline; for margins in a unit of responses that scatter by a share
    given    response -> scatter that the tester states for this plan, before anything that is found
    """
    expected = expected_responses(session)
    rows: list[Settling] = []
    for response, margin in session.margins.items():
        for one in expected:
            if one.response == response:
                rows.append(
                    _row(
                        one, margin, session, expected, earlier, kinds[response], values, given.get(response)
                    )
                )
    return _together(rows)


def with_chosen(
    settling: Sequence[Settling], chosen: Sequence[Chosen], method: Method
) -> tuple[Settling, ...]:
    """The same rows with the power that the chosen repeats have."""
    repeats = {one.procedure: one.repeats for one in chosen}
    return tuple(
        replace(
            row,
            chosen=settling_power(
                repeats[row.procedure], row.ratio, row.alpha, method=method,
                dof=row.scatter.dof, left_over=row.left_over,
            ),
        )
        if row.ratio is not None and row.scatter is not None and repeats[row.procedure] >= 2
        else row
        for row in settling
    )  # fmt: skip


def choose(
    session: Session,
    settling: Sequence[Settling],
    level: Level,
    order: Order,
    repeats: int | None,
) -> tuple[Chosen, ...]:
    """Repeats of each procedure, in the order of the session file.

    level    power that is wanted, in percent
    repeats  as the tester asks for, or None: then the primary responses of the procedure decide, else those of claims,
             else all that have a margin; at least FEWEST_CHOSEN, at most MOST_CHOSEN, and even where the blocks
             run there and back, so that every treatment is as often early in its block as late
    """
    in_file = session.file.procedures if isinstance(session.file.procedures, Mapping) else session.plans
    planned = sorted(session.plans, key=lambda name: list(in_file).index(name) if name in in_file else 0)
    compared = [name for name in planned if not PROCEDURES[name].of_rig]
    return tuple(_chosen(name, settling, level, order, repeats) for name in compared)


def _chosen(
    procedure: str, settling: Sequence[Settling], level: Level, order: Order, asked: int | None
) -> Chosen:
    if asked is not None:
        return Chosen(procedure=procedure, repeats=asked, why="as asked for")
    own = [row for row in settling if row.procedure == procedure]
    known = [row for row in own if row.to_80 is not None]
    deciding: list[Settling] = []
    for family in ("primary", "claimed", "exploratory"):
        deciding = [row for row in known if row.family == family]
        if deciding:
            break
    if not deciding:
        why = "no margin of this procedure tells how many, so a usual number is taken"
        usual = _even(FEWEST_CHOSEN, order)
        why += EVEN if usual > FEWEST_CHOSEN else ""
        return Chosen(procedure=procedure, repeats=usual, why=why)

    def needs(row: Settling) -> int:
        found = row.to_80 if level == 80 else row.to_95
        assert found is not None
        return found.count

    hardest = max(deciding, key=needs)
    wanted = needs(hardest)
    taken = _even(min(max(wanted, FEWEST_CHOSEN), MOST_CHOSEN), order)
    what = f"{hardest.label.lower()}{_where(hardest.at)}, {written(hardest.margin_text)},"
    found = hardest.to_80 if level == 80 else hardest.to_95
    more = " and more" if found is not None and found.capped else ""
    if wanted > MOST_CHOSEN:
        why = f"{what} would take {wanted}{more}; {MOST_CHOSEN} are planned, since a day has no room for more"
    elif wanted < FEWEST_CHOSEN:
        why = f"{what} would be settled by {wanted}, but a lost run must leave something to compare"
    else:
        why = f"{what} takes {wanted}"
    if taken > max(min(wanted, MOST_CHOSEN), FEWEST_CHOSEN):
        why += EVEN
    return Chosen(procedure=procedure, repeats=taken, why=why)


def _even(count: int, order: Order) -> int:
    return count + count % 2 if order == "abba" else count


def _where(at: Sequence[At]) -> str:
    return f" {at_words(at[0])}" if at and at[0] else ""


def _row(
    one: Expected,
    margin: Margin,
    session: Session,
    expected: Sequence[Expected],
    earlier: Earlier,
    kind: ResponseKind,
    values: Values,
    given: Scatter | None,
) -> Settling:
    method = method_of(session)
    family = family_of(one, session)
    size = _size(family, one, expected, session)
    alpha = level_of(size)
    value, told = _value(one, kind, session, earlier, values)
    scatter = given or scatter_of(
        one.response, kind, session, earlier, {one.response: kind}, method=method, value=value
    )
    sd, size_of_margin, unknown = _in_one_unit(scatter, margin, value, kind)
    left = left_over_share(one.response, kind, session, earlier) or 0.0
    ratio = left_over = None
    if sd is not None and size_of_margin is not None:
        ratio = float(
            f"{size_of_margin / sd:.4g}"
        )  # so that conditions that differ by rounding share their work
        scale = abs(value) if kind.relative and margin.relative is None and value is not None else 1.0
        left_over = float(f"{left * scale / size_of_margin:.3g}")

    def count(power: float) -> Repeats | None:
        if ratio is None:
            return None
        return repeats_to_settle_margin(
            power, ratio, alpha, method=method, dof=scatter.dof, left_over=left_over or 0.0
        )

    return Settling(
        response=one.response,
        label=kind.label,
        procedure=one.procedure,
        at=(one.at,),
        comparisons=len(compared_pairs(session)),
        family=family,
        family_size=size,
        alpha=alpha,
        margin_text=margin.text,
        scatter=scatter,
        ratio=ratio,
        left_over=left_over or 0.0,
        to_80=count(0.80),
        to_95=count(0.95),
        chosen=None,
        unknown=unknown,
        taken_of=told if ratio is not None and scatter.relative != (margin.relative is not None) else "",
    )


def _size(family: Family, one: Expected, expected: Sequence[Expected], session: Session) -> int:
    """Size of the family; of a response with claims about some treatments only, that of the harder family."""
    size = family_size(family, expected, session)
    if family != "claimed":
        return size
    claimed = {c.treatment for c in session.file.claims if c.response == one.response}
    pairs = compared_pairs(session)
    all_claimed = all(t in claimed and b == session.file.baseline for t, b in pairs)
    return size if all_claimed else max(size, family_size("exploratory", expected, session))


def _value(
    one: Expected, kind: ResponseKind, session: Session, earlier: Earlier, values: Values
) -> tuple[float | None, str]:
    """Value of the baseline and where it comes from: the forecast, else an earlier session."""
    foreseen = values.get((one.response, one.at))
    found = (
        (foreseen, "as foreseen")
        if foreseen is not None
        else earlier_value(one.response, one.at, session, earlier)
    )
    return (None, "") if found is None else (found[0], f"{plain(found[0], kind.unit, 3)}, {found[1]}")


def _in_one_unit(
    scatter: Scatter, margin: Margin, value: float | None, kind: ResponseKind
) -> tuple[float | None, float | None, str]:
    """Scatter and margin, both as a share or both in the response's unit; or why that cannot be."""
    if scatter.relative and margin.relative is not None:
        return scatter.sd, margin.relative, ""
    if not scatter.relative and margin.absolute is not None:
        return scatter.sd, margin.absolute, ""
    if value is None or value == 0.0:
        what = "its margin" if margin.relative is not None else "its scatter"
        return None, None, f"no value of {kind.label.lower()} is foreseen, which {what} would be a share of"
    if margin.relative is not None:
        return scatter.sd, margin.relative * abs(value), ""
    return scatter.at(value), margin.absolute, ""


def _together(rows: Sequence[Settling]) -> tuple[Settling, ...]:
    """Rows of one response and procedure that ask for the same, as one row of several conditions."""

    def same(row: Settling) -> tuple[object, ...]:
        return row.response, row.procedure, row.alpha, row.ratio, row.left_over, row.unknown, row.margin_text

    made: list[Settling] = []
    for _, group in groupby(rows, key=same):
        members = list(group)
        made.append(replace(members[0], at=tuple(at for member in members for at in member.at)))
    return tuple(made)


def in_words(row: Settling) -> str:
    """What one row says, as a sentence."""
    where = f" {conditions_in_words(row.at)}" if conditions_in_words(row.at) else ""
    head = f"{row.label}{where}, {row.margin_text}"
    if row.to_80 is None or row.to_95 is None:
        return f"{head}: not known, since {row.unknown}."
    return f"{head}: {_count(row.to_80)} for 80 %, {_count(row.to_95)} for 95 %."


def _count(repeats: Repeats) -> str:
    return f"more than {repeats.count} repeats" if repeats.capped else counted(repeats.count, "repeat")


def of_hundred(share: float) -> str:
    """In how many of 100 sessions something comes out."""
    if share > 0.99:
        return "over 99 of 100"
    return f"{100.0 * share:.0f} of 100" if share >= 0.01 else "fewer than 1 of 100"


def conditions_in_words(at: Sequence[At]) -> str:
    """Conditions in words, those of one kind with one unit: `at 9 000, 12 500 and 16 000 rpm`."""
    named = [one for one in at if one]
    if not named:
        return ""
    if len(named) > 1 and len({tuple(name for name, _ in one) for one in named}) == 1 and len(named[0]) == 1:
        last = at_words(named[-1])
        first = [number(one[0][1], 0) if one[0][1] >= 10 else f"{one[0][1]:g}" for one in named[:-1]]
        return f"at {', '.join(first)} and {last.removeprefix('at ')}"
    return listed([at_words(one) for one in named])
