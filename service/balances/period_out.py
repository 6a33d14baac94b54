"""The balance of a period as it leaves: the one form that the interface, the file, the page and the drawing show."""

from collections.abc import Iterator
from dataclasses import fields

from sqlmodel import Session

from service.balances.period import PeriodBalance
from service.balances.period_doubt import DOUBTED, LINES_MAX, Doubted, unexplained_by_part
from service.balances.schemas_period import (
    CarrierOut,
    DriftOut,
    JudgedOut,
    MaterialBalanceOut,
    PartOut,
    RunShareOut,
    SiteBalanceOut,
    StepBalanceOut,
)
from service.core.local_periods import Period
from service.core.mass_balance import judge
from service.core.measured import Measured, total
from service.core.period_balance import MaterialAccount, SiteAccount, StepAccount
from service.core.period_signals import Judgeable, in_a_row
from service.core.quantities import dry_kg_exact, dry_kg_text, fraction_text, grouped, percent_half_up
from service.counts.queries import counts_waiting
from service.journal.read import Knowledge
from service.lineage.flows import microseconds
from service.lots.statuses import Step
from service.plant.period_settings import SITE

CARRIERS_SHOWN, RUNS_SHOWN = 12, 20
PET = "PET"


def site_balance_out(session: Session, balance: PeriodBalance, known: Knowledge | None = None) -> SiteBalanceOut:
    """A balance as it leaves, with U95 as far as it can be worked out in time."""
    bounds = [microseconds(part.start_at) for part in balance.parts] + [microseconds(balance.period.end_at)]
    doubted = unexplained_by_part(session, balance.flows.processes, bounds, known)
    return _Sheet(session, balance, doubted, known).out()


def exact(dry_ug: int) -> str:
    return f"{dry_kg_exact(dry_ug):f}"


def step_words(step: str) -> str:
    """The name of a step for people."""
    return step.replace("_", " ").capitalize() if step in set(Step) else step.replace("vessel ", "Vessel ", 1)


class _Sheet:
    def __init__(
        self, session: Session, balance: PeriodBalance, doubted: Doubted | None, known: Knowledge | None
    ) -> None:
        self._session = session
        self._balance = balance
        self._doubted = doubted
        self._known = known
        self._drift = self._drifts()

    def out(self) -> SiteBalanceOut:
        balance, whole = self._balance, self._balance.whole
        left = whole.processes
        return SiteBalanceOut(
            site=balance.site.code,
            zone=balance.site.zone,
            kind=balance.period.kind,
            label=balance.period.label,
            start_at=balance.period.start_at,
            end_at=balance.period.end_at,
            is_over=balance.is_over,
            opening_dry_kg=exact(whole.opening_ug),
            opening_lots_dry_kg=exact(whole.lots.opening_ug),
            opening_inside_dry_kg=exact(left.opening_ug),
            received_dry_kg=exact(whole.lots.received_ug),
            opening_records_dry_kg=exact(whole.lots.opening_records_ug),
            dispatched_dry_kg=exact(left.dispatched_ug),
            dispatched_by_product_dry_kg=exact(left.dispatched_by_product_ug),
            dispatched_waste_dry_kg=exact(left.dispatched_waste_ug),
            returned_dry_kg=exact(left.returned_ug),
            unlotted_dry_kg=exact(whole.unlotted_ug),
            estimated_dry_kg=exact(left.estimated_ug),
            unexplained_dry_kg=exact(whole.unexplained_ug),
            closing_dry_kg=exact(whole.closing_ug),
            closing_lots_dry_kg=exact(whole.lots.closing_ug),
            closing_inside_dry_kg=exact(left.closing_ug),
            adds_up=whole.adds_up,
            judged=self._site_judged(balance.period, whole, None),
            steps=[self._step(name, account) for name, account in self._steps()],
            moisture_differences_dry_kg=exact(whole.lots.moisture_differences_ug),
            materials=[self._material(name, account) for name, account in sorted(whole.materials.items())],
            pet=_account_out("PET", PET, self._pet(whole)),
            all_lots=_account_out("all", None, whole.lots),
            parts=[self._part(place) for place in range(len(balance.parts))],
            carried_by=self._carriers(),
            runs=self._runs(),
            drift=self._drift,
            signals=list(self._signals()),
            remarks=list(self._remarks()),
        )

    def _steps(self) -> list[tuple[str, StepAccount]]:
        """Steps in the order of the plant, vessels after them."""
        order = {step.value: place for place, step in enumerate(Step)}
        moved = [(name, one) for name, one in self._balance.whole.steps.items() if one != StepAccount()]
        return sorted(moved, key=lambda item: (order.get(item[0], len(order)), item[0]))

    def _step(self, name: str, account: StepAccount) -> StepBalanceOut:
        return StepBalanceOut(
            step=name,
            words=step_words(name),
            yield_percent=_yield(name, account),
            judged=self._step_judged(name, self._balance.period, account, None),
            **_masses(account),
        )

    def _material(self, name: str, account: MaterialAccount) -> MaterialBalanceOut:
        of_code = {material.code: material.polymer for material in self._balance.facts.materials.values()}
        return _account_out(name, of_code.get(name), account)

    def _pet(self, whole: SiteAccount) -> MaterialAccount:
        of_code = {material.code: material.polymer for material in self._balance.facts.materials.values()}
        return sum((one for name, one in whole.materials.items() if of_code.get(name) == PET), MaterialAccount())

    def _part(self, place: int) -> PartOut:
        part, account = self._balance.parts[place], self._balance.accounts[place]
        named = [(name, account.steps[name]) for name, _ in self._steps()]
        return PartOut(
            label=part.label,
            start_at=part.start_at,
            end_at=part.end_at,
            hours=f"{part.hours:g}",
            site=self._site_judged(part, account, place),
            steps={name: self._step_judged(name, part, one, place) for name, one in named},
            yields={name: _yield(name, one) for name, one in named},
        )

    # Judging

    def _site_judged(self, part: Period, account: SiteAccount, place: int | None) -> JudgedOut:
        measured = None
        if self._doubted is not None:
            measured = total(one for (_, at), one in self._doubted.items() if place is None or at == place)
        # What vessels, counts and moistures leave unexplained has no doubt stated: then the runs' does not judge it.
        is_all_doubted = not account.lots.moisture_differences_ug and not any(
            one.unexplained_ug for name, one in account.steps.items() if name not in DOUBTED
        )
        judged = self._judged(SITE, part, account.unexplained_ug, account.feed_received_ug, measured)
        return judged if is_all_doubted else judged.model_copy(update={"is_beyond_doubt": None})

    def _step_judged(self, name: str, part: Period, account: StepAccount, place: int | None) -> JudgedOut:
        measured = None
        if self._doubted is not None and name in DOUBTED:
            of_step = [one for (step, at), one in self._doubted.items() if step == name and place in (None, at)]
            measured = total(of_step)
        return self._judged(name, part, account.unexplained_ug, account.in_ug, measured)

    def _judged(self, name: str, part: Period, unexplained_ug: int, of_ug: int, measured: Measured | None) -> JudgedOut:
        tolerated = self._balance.tolerance(name, part)
        u95_ug = None if measured is None else round(measured.expanded_ug)
        return JudgedOut(
            unexplained_dry_kg=exact(unexplained_ug),
            of_dry_kg=exact(of_ug),
            percent=str(percent_half_up(unexplained_ug, of_ug)) if of_ug else None,
            tolerance_fraction=fraction_text(tolerated.ppm),
            tolerance_source=tolerated.source,
            verdict=judge(of_ug, unexplained_ug, tolerated.ppm),
            u95_dry_kg=None if u95_ug is None else exact(u95_ug),
            is_beyond_doubt=None if u95_ug is None else abs(unexplained_ug) > u95_ug,
        )

    # Where to look

    def _carriers(self) -> list[CarrierOut]:
        found = [
            (one.unexplained_ug, name, part.label)
            for part, account in zip(self._balance.parts, self._balance.accounts, strict=True)
            for name, one in account.steps.items()
            if one.unexplained_ug
        ]
        found += [
            (account.lots.moisture_differences_ug, "moisture stated otherwise", part.label)
            for part, account in zip(self._balance.parts, self._balance.accounts, strict=True)
            if account.lots.moisture_differences_ug
        ]
        found.sort(key=lambda item: (-abs(item[0]), item[1], item[2]))
        return [
            CarrierOut(step=name, words=step_words(name), part=label, unexplained_dry_kg=exact(ug))
            for ug, name, label in found[:CARRIERS_SHOWN]
        ]

    def _runs(self) -> list[RunShareOut]:
        start, end = microseconds(self._balance.period.start_at), microseconds(self._balance.period.end_at)
        found = []
        for name, processes in self._balance.flows.processes.items():
            if name not in set(Step):
                continue
            for process in processes:
                first, last = process.extent
                if last >= start and first < end:
                    account = process.until(end).since(process.until(start))
                    if account.unexplained_ug:
                        found.append((account, name, process.key))
        found.sort(key=lambda item: (-abs(item[0].unexplained_ug), item[2]))
        return [
            RunShareOut(
                run_id=key,
                step=Step(name),
                in_dry_kg=exact(account.in_ug),
                unexplained_dry_kg=exact(account.unexplained_ug),
                percent=str(percent_half_up(account.unexplained_ug, account.in_ug)) if account.in_ug else None,
            )
            for account, name, key in found[:RUNS_SHOWN]
        ]

    def _drifts(self) -> list[DriftOut]:
        if not self._doubted:
            return []
        # Here and not above: statistics take half a second to load, and the weighbridge needs none.
        from service.balances.period_drift import drift_of

        labels = [part.label for part in self._balance.parts]
        found = []
        for name, _ in self._steps():
            places = [place for place in range(len(labels)) if (name, place) in self._doubted]
            drift = drift_of(name, {labels[place]: self._doubted[name, place] for place in places})
            found += [] if drift is None else [drift]
        return found

    def _signals(self) -> Iterator[str]:
        for drift in self._drift:
            for alarm in drift.alarms:
                yield (
                    f"{step_words(drift.step)} drifts towards {alarm.side}: its running sum passed {drift.decision} at "
                    f"{alarm.part}. Such a sum is passed once in {drift.run_length} parts when nothing is wrong, and "
                    f"after {drift.run_length_at_one} when each is off by one standard uncertainty."
                )
        parts, accounts = self._balance.parts, self._balance.accounts
        for name, _ in self._steps():
            if name not in set(Step):
                continue
            judged = [
                Judgeable(at.unexplained_ug, at.in_ug, self._balance.tolerance(name, part).ppm)
                for part, at in zip(parts, [one.steps[name] for one in accounts], strict=True)
            ]
            for row in in_a_row(judged):
                what = "loses" if row.is_loss else "gains"
                yield (
                    f"{step_words(name)} {what} more than half of its tolerance from {parts[row.first].label} to "
                    f"{parts[row.last].label}, {row.last - row.first + 1} times in a row, each by itself within it or "
                    "not: look for one cause that stays."
                )

    def _remarks(self) -> Iterator[str]:
        balance, flows, whole = self._balance, self._balance.flows, self._balance.whole
        if not balance.is_over:
            yield f"{balance.period.label} is not over: what is told is what has happened until now."
        if balance.open_runs:
            named = ", ".join(f"{step_words(run.step).lower()} {run.key}" for run in balance.open_runs[:5])
            more = f" and {len(balance.open_runs) - 5} more" if len(balance.open_runs) > 5 else ""
            held = _shown(sum(run.left_ug for run in balance.open_runs))
            yield (
                f"Not closed yet: {named}{more}. What was fed there and is not out, {held} kg dry as booked until now, "
                "counts as standing in them; what is unexplained of them is known when they are closed."
            )
        for name, number in sorted(flows.guessed.items()):
            yield (
                f"{step_words(name)}: {number} masses rest on a moisture that is a default or not final. Masses and "
                "counts stand; dry figures move when the laboratory reports."
            )
        if flows.no_mass:
            shown = ", ".join(flows.no_mass[:5])
            yield (
                f"{len(flows.no_mass)} lots came in without a mass, since their truck has no tare yet ({shown}): they "
                "count as nothing here until it is weighed."
            )
        for name, account in whole.steps.items():
            if account.closing_ug < 0:
                yield (
                    f"{step_words(name)} holds {_shown(account.closing_ug)} kg dry by the book at the end: "
                    "more came out than was booked in. A feed or charge is missing, or something was booked elsewhere."
                )
        if whole.lots.moisture_differences_ug:
            yield (
                f"{_shown(whole.lots.moisture_differences_ug)} kg dry come from moistures that lines state "
                "otherwise than their lots; they are part of what is unexplained, and of no step."
            )
        waiting = counts_waiting(self._session, balance.site.site_no, self._known)
        if waiting:
            yield f"Stock counts that wait for approval: {waiting}. Their differences are not booked."
        if self._doubted is None:
            yield (
                f"U95 is not worked out for more than {LINES_MAX:,} lines at once, ties aside: ask for a shorter "
                "period. The masses are exact all the same."
            )
        else:
            yield "U95 covers the runs; vessels, counts and moistures stated otherwise carry none here."


def _shown(dry_ug: int) -> str:
    return grouped(dry_kg_text(dry_ug))


def _yield(name: str, account: StepAccount) -> str | None:
    """What a step made of what went in; a vessel makes nothing, and what is drawn of it is no yield."""
    if name not in set(Step):
        return None
    return str(percent_half_up(account.product_ug, account.in_ug)) if account.in_ug and account.product_ug else None


def _account_out(name: str, polymer: str | None, account: MaterialAccount) -> MaterialBalanceOut:
    return MaterialBalanceOut(material=name, polymer=polymer, **_masses(account))


def _masses(account: StepAccount | MaterialAccount) -> dict[str, str]:
    """Every mass of an account under the name it leaves by."""
    return {f"{one.name.removesuffix('_ug')}_dry_kg": exact(getattr(account, one.name)) for one in fields(account)}
