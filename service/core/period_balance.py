"""The account of a period: what stood here, what came, what left, what stands here now, and what nothing explains.

``opening + in = out + unexplained + closing``, on dry mass, by step and for the site. Lines and runs that cross a
boundary are cut there. Everything is counted as *what had passed by a moment*, rounded down, and a period holds what
had passed by its end less what had passed by its beginning: so the days of a month add up to the month whatever the
boundaries are, to the microgram. (Parts rounded by the largest remainder would add up too, but to other parts for
every other set of boundaries.)

Where a run's unexplained mass belongs in time is not known: it is spread as its feeds were. A vessel's or a stock
count's is known only when it was looked at, and belongs to that moment.

Not here: reading what happened, doubt, tolerances as settings, moisture (everything comes as dry mass).
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from fractions import Fraction
from itertools import accumulate, pairwise

from service.core.mass_balance import Verdict, judge, left_of_loops
from service.core.quantities import PPM, divide_half_up

__all__ = [
    "BadFlow",
    "Dated",
    "MaterialAccount",
    "MissingBoundary",
    "OutKind",
    "Process",
    "SiteAccount",
    "StepAccount",
    "When",
    "joined",
    "material_accounts",
    "site_account",
    "step_account",
]


class BadFlow(ValueError):
    """A flow with a negative mass or an end before its start."""


class MissingBoundary(ValueError):
    """Accounts were joined that do not follow one another."""


class OutKind(StrEnum):
    """As what something leaves a process."""

    PRODUCT = "product"
    BY_PRODUCT = "by_product"
    WASTE = "waste"
    LOSS = "loss"
    DISPATCHED = "dispatched"
    DISPATCHED_BY_PRODUCT = "dispatched_by_product"
    DISPATCHED_WASTE = "dispatched_waste"
    RETURNED = "returned"


class When(StrEnum):
    """To which moments the unexplained mass of a process belongs."""

    AS_FED = "as_fed"  # a closed run: spread as its feeds were
    AT_END = "at_end"  # a vessel proven empty, a count approved: when it was looked at
    NOT_YET = "not_yet"  # still open: all that is not out stands in it


@dataclass(frozen=True, slots=True)
class Dated:
    """Dry mass that passes at an instant (`start == end`) or evenly during `[start, end)`.

    Parameters
    ----------
    dry_ug : micrograms, >= 0
    start, end : microseconds since 1970-01-01T00:00Z

    Examples
    --------
    >>> line = Dated(100, 0, 3)
    >>> [line.within(place, place + 1) for place in range(3)]
    [33, 33, 34]
    """

    dry_ug: int
    start: int
    end: int

    def __post_init__(self) -> None:
        if self.dry_ug < 0 or self.end < self.start:
            raise BadFlow(f"{self.dry_ug} ug from {self.start} to {self.end}: no such flow")

    def passed_by(self, moment: int) -> int:
        """What had passed before a moment, rounded down; an instant has passed after it."""
        if moment >= self.end and moment > self.start:
            return self.dry_ug
        if moment <= self.start:
            return 0
        return self.dry_ug * (moment - self.start) // (self.end - self.start)

    def within(self, start: int, end: int) -> int:
        """What passes in a half-open interval."""
        return self.passed_by(end) - self.passed_by(start)


@dataclass(frozen=True)
class Process:
    """A run, a vessel between two proofs of emptiness, a loaded truck, a stock count: in, out, and what is left in it.

    Parameters
    ----------
    key : identity of the process.
    step : what its account is called.
    when : see `When`.
    ended : microseconds; needed for `When.AT_END`.
    estimates_ppm : losses stated as a fraction of all that was fed.
    looped_out, looped_in : what was taken out to run back in, and ran back in: no output, and no input either. What
        did not run back stands in a lot, and is not missing.
    heel_ug : what stood in it before the first of these flows; below zero if more was drawn than ever booked in.
    """

    key: int
    step: str
    when: When
    feeds: Sequence[Dated] = ()
    outs: Sequence[tuple[OutKind, Dated]] = ()
    estimates_ppm: Sequence[int] = ()
    ended: int | None = None
    heel_ug: int = 0
    looped_out: Sequence[Dated] = ()
    looped_in: Sequence[Dated] = ()

    @property
    def fed_ug(self) -> int:
        return sum(feed.dry_ug for feed in self.feeds)

    @property
    def out_ug(self) -> int:
        return sum(out.dry_ug for _, out in self.outs)

    @property
    def estimated_ug(self) -> int:
        """All estimates, each rounded half up as the run's own balance rounds it."""
        return sum(divide_half_up(self.fed_ug * ppm, PPM) for ppm in self.estimates_ppm)

    @property
    def left_ug(self) -> int:
        """What was fed and has not come out: unexplained of what is over, content of what goes on."""
        return self.heel_ug + self.fed_ug - self.out_ug - self._looped_ug - self.estimated_ug

    @property
    def _looped_ug(self) -> int:
        """What its loops leave in lots, as in the run's own balance: it came out, whatever it was meant for."""
        looped_out_ug = sum(flow.dry_ug for flow in self.looped_out)
        return left_of_loops(looped_out_ug, sum(flow.dry_ug for flow in self.looped_in), self.out_ug)

    @property
    def extent(self) -> tuple[int, int]:
        """The first and the last moment at which anything changes in it."""
        flows = [*self.feeds, *(flow for _, flow in self.outs), *self.looped_out, *self.looped_in]
        moments = [flow.start for flow in flows] + [flow.end for flow in flows]
        if self.when is When.AT_END and self.ended is not None:
            moments.append(self.ended)
        return (min(moments), max(moments)) if moments else (0, 0)

    def until(self, moment: int) -> "StepAccount":
        """All that had passed by a moment, with what then stood in it as `closing_ug`."""
        fed_ug = sum(feed.passed_by(moment) for feed in self.feeds)
        out = dict.fromkeys(OutKind, 0)
        for kind, flow in self.outs:
            out[kind] += flow.passed_by(moment)
        looped_in_ug = sum(flow.passed_by(moment) for flow in self.looped_in)
        looped_out_ug = sum(flow.passed_by(moment) for flow in self.looped_out)
        spread_ug = self.left_ug if self.when is When.AS_FED else 0
        estimated_ug, unexplained_ug = 0, 0
        if spread_ug or self.estimates_ppm:
            share = self._share_until(moment)
            estimated_ug, unexplained_ug = int(self.estimated_ug * share), math.floor(spread_ug * share)
        if self.when is When.AT_END and self.ended is not None and moment > self.ended:
            unexplained_ug = self.left_ug
        content_ug = self.heel_ug + fed_ug + looped_in_ug - sum(out.values()) - looped_out_ug
        return StepAccount(
            in_ug=fed_ug,
            looped_in_ug=looped_in_ug,
            looped_out_ug=looped_out_ug,
            estimated_ug=estimated_ug,
            unexplained_ug=unexplained_ug,
            closing_ug=content_ug - estimated_ug - unexplained_ug,
            **{f"{kind.value}_ug": out_ug for kind, out_ug in out.items()},
        )

    def _share_until(self, moment: int) -> Fraction:
        """How much of what the process has to spread had come by a moment: by what was fed, else by what came out.

        Unrounded: a microgram of rounding here would be multiplied by what is missing per microgram fed.
        """
        flows = self.feeds if self.fed_ug else [flow for _, flow in self.outs]
        whole_ug = self.fed_ug or self.out_ug
        if not whole_ug:
            return Fraction(0)
        over_ug = sum(flow.dry_ug for flow in flows if moment > flow.start and moment >= flow.end)
        running = (flow for flow in flows if flow.start < moment < flow.end)
        part = over_ug + sum((Fraction(one.dry_ug * (moment - one.start), one.end - one.start) for one in running), 0)
        return Fraction(part, whole_ug)


@dataclass(frozen=True)
class StepAccount:
    """What one step did in a period, micrograms dry.

    ``opening + in + looped_in = all outs + looped_out + estimated + unexplained + closing``; what stands in a run is
    what was fed and neither came out nor is missing.
    """

    opening_ug: int = 0
    in_ug: int = 0
    looped_in_ug: int = 0
    looped_out_ug: int = 0
    product_ug: int = 0
    by_product_ug: int = 0
    waste_ug: int = 0
    loss_ug: int = 0
    dispatched_ug: int = 0
    dispatched_by_product_ug: int = 0
    dispatched_waste_ug: int = 0
    returned_ug: int = 0
    estimated_ug: int = 0
    unexplained_ug: int = 0
    closing_ug: int = 0

    @property
    def out_ug(self) -> int:
        """What came out, weighed; estimates apart."""
        out_ug: int = sum(getattr(self, f"{kind.value}_ug") for kind in OutKind)
        return out_ug

    @property
    def left_site_ug(self) -> int:
        """What of it left the site, on trucks."""
        return self.dispatched_ug + self.dispatched_by_product_ug + self.dispatched_waste_ug + self.returned_ug

    @property
    def adds_up(self) -> bool:
        accounted_ug = self.out_ug + self.looped_out_ug + self.estimated_ug + self.unexplained_ug + self.closing_ug
        return self.opening_ug + self.in_ug + self.looped_in_ug == accounted_ug

    def judged(self, tolerance_ppm: int) -> Verdict:
        """Whether the step closes within a tolerance, as fraction of its dry input of the period."""
        return judge(self.in_ug, self.unexplained_ug, tolerance_ppm)

    def __add__(self, other: "StepAccount") -> "StepAccount":
        """Two processes of one period, side by side."""
        return StepAccount(*(getattr(self, name.name) + getattr(other, name.name) for name in fields(self)))

    def more_than(self, before: "StepAccount") -> "StepAccount":
        """What is new since an earlier moment, field by field."""
        return StepAccount(*(getattr(self, name.name) - getattr(before, name.name) for name in fields(self)))

    def since(self, before: "StepAccount") -> "StepAccount":
        """The account between two moments, of the totals up to each."""
        return replace(self.more_than(before), opening_ug=before.closing_ug, closing_ug=self.closing_ug)


def step_account(processes: Iterable[Process], start: int, end: int) -> StepAccount:
    """The account of several processes of one step for a half-open interval.

    Examples
    --------
    Fed evenly over two days, out at the end: half of what is missing belongs to each day.

    >>> run = Process(1, "wash", When.AS_FED, [Dated(100, 0, 20)], [(OutKind.PRODUCT, Dated(90, 20, 20))])
    >>> first, second = step_account([run], 0, 10), step_account([run], 10, 21)
    >>> (first.unexplained_ug, first.closing_ug, second.opening_ug, second.product_ug, second.unexplained_ug)
    (5, 45, 45, 90, 5)
    """
    found = StepAccount()
    for process in processes:
        found += process.until(end).since(process.until(start))
    return found


@dataclass(frozen=True)
class MaterialAccount:
    """The lots of one material in a period; micrograms dry. A moisture difference is a loss if positive.

    ``opening + received + opening_records + produced + count_found = consumed + dispatched + returned + count_missing +
    moisture_differences + closing``. `consumed` and `produced` are what processes took and gave, vessels too.
    A moisture difference is a lot of which the dry mass was stated otherwise when it was taken or topped up.
    """

    opening_ug: int = 0
    received_ug: int = 0
    opening_records_ug: int = 0
    produced_ug: int = 0
    consumed_ug: int = 0
    dispatched_ug: int = 0
    returned_ug: int = 0
    count_missing_ug: int = 0
    count_found_ug: int = 0
    moisture_differences_ug: int = 0
    closing_ug: int = 0

    @property
    def adds_up(self) -> bool:
        return self.opening_ug + self.gained_ug == self.closing_ug

    @property
    def gained_ug(self) -> int:
        """How much more stands there at the end than at the beginning."""
        came = self.received_ug + self.opening_records_ug + self.produced_ug + self.count_found_ug
        went = self.consumed_ug + self.dispatched_ug + self.returned_ug + self.count_missing_ug
        return came - went - self.moisture_differences_ug

    def from_opening(self, opening_ug: int) -> "MaterialAccount":
        """The same flows from what stood there at first on, with the closing that follows."""
        return replace(self, opening_ug=opening_ug, closing_ug=opening_ug + self.gained_ug)

    def __add__(self, other: "MaterialAccount") -> "MaterialAccount":
        """Two materials of one period."""
        return MaterialAccount(*(getattr(self, name.name) + getattr(other, name.name) for name in fields(self)))


def material_accounts(
    opening_ug: Mapping[str, int], periods: Sequence[Mapping[str, MaterialAccount]]
) -> list[dict[str, MaterialAccount]]:
    """Carry what stood there at first through the flows of periods that follow one another, by material."""
    standing = dict(opening_ug)
    carried = []
    for flows in periods:
        names = sorted({*standing, *flows})
        accounts = {name: flows.get(name, MaterialAccount()).from_opening(standing.get(name, 0)) for name in names}
        standing = {name: account.closing_ug for name, account in accounts.items()}
        carried.append(accounts)
    return carried


@dataclass(frozen=True)
class SiteAccount:
    """What a site did in a period: its lots by material, its processes by step.

    Parameters
    ----------
    feed_received_ug : what was received of the materials that are bought to be recycled, in any form: the denominator
        of the site's percentages, micrograms dry.
    """

    materials: Mapping[str, MaterialAccount]
    steps: Mapping[str, StepAccount]
    feed_received_ug: int = 0
    lots: MaterialAccount = field(init=False)
    processes: StepAccount = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "lots", sum(self.materials.values(), MaterialAccount()))
        object.__setattr__(self, "processes", sum(self.steps.values(), StepAccount()))

    @property
    def opening_ug(self) -> int:
        """What stood here: lots, and what was in vessels, on the line and on trucks that had not left."""
        return self.lots.opening_ug + self.processes.opening_ug

    @property
    def closing_ug(self) -> int:
        return self.lots.closing_ug + self.processes.closing_ug

    @property
    def in_ug(self) -> int:
        return self.lots.received_ug + self.lots.opening_records_ug

    @property
    def out_ug(self) -> int:
        """What left: on trucks, as waste and losses that became no lot, and as estimates."""
        return self.processes.left_site_ug + self.unlotted_ug + self.processes.estimated_ug

    @property
    def unlotted_ug(self) -> int:
        """Weighed waste and losses that became no lot: what came out of processes less what became lots."""
        made_ug = self.processes.out_ug - self.processes.left_site_ug + self.processes.looped_out_ug
        return made_ug - self.lots.produced_ug - self.lots.count_found_ug

    @property
    def unexplained_ug(self) -> int:
        """Loss positive: of all steps, of counts and of moistures stated otherwise."""
        return self.processes.unexplained_ug + self.lots.moisture_differences_ug

    @property
    def adds_up(self) -> bool:
        total = self.opening_ug + self.in_ug == self.out_ug + self.unexplained_ug + self.closing_ug
        by_material = all(account.adds_up for account in self.materials.values())
        return total and by_material and all(account.adds_up for account in self.steps.values())

    def judged(self, tolerance_ppm: int) -> Verdict:
        """Whether the site closes within a tolerance, as fraction of what was received to be recycled."""
        return judge(self.feed_received_ug, self.unexplained_ug, tolerance_ppm)


def site_account(
    opening_ug: Mapping[str, int],
    periods: Sequence[Mapping[str, MaterialAccount]],
    processes: Mapping[str, Sequence[Process]],
    bounds: Sequence[int],
    feed_received_ug: Sequence[int],
) -> list[SiteAccount]:
    """The accounts of periods that follow one another.

    Parameters
    ----------
    opening_ug : of lots, by material, at `bounds[0]`.
    periods : flows of lots by material, one mapping for each period.
    processes : by step.
    bounds : microseconds, one more than there are periods.
    """
    lots = material_accounts(opening_ug, periods)
    steps = {step: _accounts_of(of_step, bounds) for step, of_step in processes.items()}
    return [
        SiteAccount(materials, {step: of_step[place] for step, of_step in steps.items()}, feed_received_ug[place])
        for place, materials in enumerate(lots)
    ]


def _accounts_of(processes: Sequence[Process], bounds: Sequence[int]) -> list[StepAccount]:
    """The accounts of one step for periods that follow one another.

    Most runs lie inside one period: what they did is added up once, and only the others are cut.
    """
    added = [StepAccount()] * len(bounds)  # what is new among all that had passed, from each boundary on
    for process in processes:
        first, last = process.extent
        passed = StepAccount()
        if process.heel_ug:
            passed = StepAccount(closing_ug=process.heel_ug)
            added[0] += passed
        for place in range(bisect_right(bounds, first), len(bounds)):
            is_over = bounds[place] > last
            now = process.until(bounds[place])
            added[place] += now.more_than(passed)
            passed = now
            if is_over:
                break
    until = list(accumulate(added))
    return [after.since(before) for before, after in pairwise(until)]


def joined(accounts: Sequence[SiteAccount]) -> SiteAccount:
    """The account of periods that follow one another, as one.

    Raises
    ------
    MissingBoundary : there is none, or one does not begin with what the one before it ended with.
    """
    if not accounts:
        raise MissingBoundary("there is no period to join")
    first, last = accounts[0], accounts[-1]
    for before, after in pairwise(accounts):
        if (before.lots.closing_ug, before.processes.closing_ug) != (after.lots.opening_ug, after.processes.opening_ug):
            raise MissingBoundary("these periods do not follow one another")
    materials = {
        name: replace(
            sum((one.materials[name] for one in accounts if name in one.materials), MaterialAccount()),
            opening_ug=first.materials[name].opening_ug if name in first.materials else 0,
            closing_ug=last.materials[name].closing_ug,
        )
        for name in last.materials
    }
    steps = {}
    for name in last.steps:
        flows = sum((one.steps[name] for one in accounts), StepAccount())
        ends = {"opening_ug": first.steps[name].opening_ug, "closing_ug": last.steps[name].closing_ug}
        steps[name] = replace(flows, **ends)
    return SiteAccount(materials, steps, sum(one.feed_received_ug for one in accounts))
