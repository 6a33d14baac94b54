"""Laws of period balances: the days of a plant add up to its months, the months to its year, whatever happened when.

Method: random plants of runs, vessels and trucks whose lines begin and end anywhere. The same account is worked out
here with plain fractions, without a line of the service's arithmetic: no sum may differ by more than a microgram per
line, and sums over finer periods must be equal to the last digit.
"""

import itertools
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.period_balance import (
    Dated,
    MaterialAccount,
    MissingBoundary,
    OutKind,
    Process,
    SiteAccount,
    StepAccount,
    When,
    joined,
    site_account,
)

YEAR, MONTH, DAY = 384, 96, 24  # hours; a month of four days and a year of four months suffice
KINDS = (OutKind.PRODUCT, OutKind.BY_PRODUCT, OutKind.WASTE, OutKind.LOSS)


@st.composite
def dated(draw: st.DrawFn, start: int, end: int) -> Dated:
    begin = draw(st.integers(start, end))
    return Dated(draw(st.integers(0, 10**12)), begin, draw(st.integers(begin, end)))


@st.composite
def a_process(draw: st.DrawFn, key: int) -> Process:
    start = draw(st.integers(-50, YEAR - 1))
    end = draw(st.integers(start + 1, start + 150))
    feeds = draw(st.lists(dated(start, end), max_size=4))
    outs = [(draw(st.sampled_from(KINDS)), flow) for flow in draw(st.lists(dated(start, end), max_size=4))]
    when = draw(st.sampled_from(When))
    estimates = draw(st.lists(st.integers(0, 50_000), max_size=2)) if when is When.AS_FED else []
    heel = draw(st.integers(-(10**9), 10**9)) if when is When.NOT_YET else 0
    return Process(key, f"step {key % 3}", when, feeds, outs, estimates, end, heel)


plants = st.integers(0, 6).flatmap(lambda count: st.tuples(*(a_process(key) for key in range(count))))


def passed(flow: Dated, moment: int) -> Fraction:
    """What of a line has passed by a moment, unrounded."""
    if flow.start == flow.end:
        return Fraction(flow.dry_ug if moment > flow.start else 0)
    lasted = min(max(moment, flow.start), flow.end) - flow.start
    return Fraction(flow.dry_ug * lasted, flow.end - flow.start)


def unexplained(process: Process, moment: int) -> Fraction:
    """What of the unexplained mass of a process is known by a moment, told anew."""
    fed, out = sum(flow.dry_ug for flow in process.feeds), sum(flow.dry_ug for _, flow in process.outs)
    estimated = sum(int(Fraction(fed * ppm, 10**6) + Fraction(1, 2)) for ppm in process.estimates_ppm)
    left = process.heel_ug + fed - out - estimated
    if process.when is When.NOT_YET:
        return Fraction(0)
    if process.when is When.AT_END:
        return Fraction(left if moment > (process.ended or 0) else 0)
    if fed:
        return left * sum((passed(flow, moment) for flow in process.feeds), Fraction(0)) / fed
    return left * sum((passed(flow, moment) for _, flow in process.outs), Fraction(0)) / out if out else Fraction(0)


def accounts(processes: tuple[Process, ...], every: int) -> list[SiteAccount]:
    """The plant's accounts by periods of a length; all that is fed comes from a yard, all products go there."""
    bounds = list(range(0, YEAR + 1, every))
    by_step: dict[str, list[Process]] = {}
    for process in processes:
        by_step.setdefault(process.step, []).append(process)
    periods = []
    for start, end in itertools.pairwise(bounds):
        fed = sum(flow.within(start, end) for process in processes for flow in process.feeds)
        made = sum(flow.within(start, end) for process in processes for _, flow in process.outs)
        periods.append({"yard": MaterialAccount(consumed_ug=fed, produced_ug=made)})
    return site_account({"yard": 10**15}, periods, by_step, bounds, [0] * len(periods))


@settings(max_examples=25, deadline=None)
@given(plants)
def test_days_add_up_to_months_and_months_to_the_year(processes: tuple[Process, ...]) -> None:
    days, months, [year] = accounts(processes, DAY), accounts(processes, MONTH), accounts(processes, YEAR)
    assert all(account.adds_up for account in (*days, *months, year))
    of_months = [joined(days[place : place + MONTH // DAY]) for place in range(0, len(days), MONTH // DAY)]
    for ours, theirs in (*zip(of_months, months, strict=True), (joined(months), year), (joined(days), year)):
        assert dict(ours.steps) == dict(theirs.steps)
        assert dict(ours.materials) == dict(theirs.materials)
        assert ours.unexplained_ug == theirs.unexplained_ug


@settings(max_examples=25, deadline=None)
@given(plants)
def test_plain_fractions_agree(processes: tuple[Process, ...]) -> None:
    slack = 4 + 12 * len(processes)  # each line and each spread mass is rounded down by less than a microgram
    for place, account in enumerate(accounts(processes, DAY)):
        start, end = place * DAY, (place + 1) * DAY
        lost = sum((unexplained(one, end) - unexplained(one, start) for one in processes), Fraction(0))
        assert abs(account.processes.unexplained_ug - lost) < slack
        fed = sum((passed(flow, end) - passed(flow, start) for one in processes for flow in one.feeds), Fraction(0))
        assert abs(account.processes.in_ug - fed) < slack
        # What stands inside: heels, and all that was fed and neither came out nor is known to be missing.
        inside = sum(
            (
                one.heel_ug
                + sum((passed(flow, end) for flow in one.feeds), Fraction(0))
                * (1 - Fraction(sum(one.estimates_ppm), 10**6))
                - sum((passed(flow, end) for _, flow in one.outs), Fraction(0))
                - unexplained(one, end)
                for one in processes
            ),
            Fraction(0),
        )
        assert abs(account.processes.closing_ug - inside) < slack


def test_accounts_that_do_not_follow_one_another_are_not_joined() -> None:
    first = SiteAccount({"yard": MaterialAccount(opening_ug=1, closing_ug=1)}, {"wash": StepAccount()})
    second = SiteAccount({"yard": MaterialAccount(opening_ug=2, closing_ug=2)}, {"wash": StepAccount()})
    with pytest.raises(MissingBoundary):
        joined([first, second])
    with pytest.raises(MissingBoundary):
        joined([])
