"""The balance of one run, computed from its lines as known at some moment."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Protocol

from sqlmodel import Session

from service.balances.doubt import Doubts, doubts_of, unexplained_of
from service.core.mass_balance import Balance, BalanceLine, FractionLoss, Tolerance, close, left_of_loops
from service.core.measured import Measured
from service.core.quantities import dry_ug, parse_fraction
from service.errors import Unacceptable
from service.journal.read import Knowledge
from service.lots.moisture import moistures
from service.lots.queries import lines_of_process
from service.lots.statuses import Category, Direction, MeasurementBasis, Step
from service.lots.stock import line_masses
from service.lots.tables import Line, Measurement, Process
from service.plant.queries import find_setting
from service.plant.statuses import SettingKey
from service.plant.tables import Setting

MICROSECOND = timedelta(microseconds=1)


class BalancedLine(Protocol):
    """What a balance reads of a line."""

    @property
    def id(self) -> int: ...
    @property
    def version(self) -> int: ...
    @property
    def direction(self) -> Direction: ...
    @property
    def stream(self) -> str: ...
    @property
    def fraction_ppm(self) -> int | None: ...
    @property
    def moisture_id(self) -> int | None: ...


class StatedMoisture(Protocol):
    """What a balance reads of a measurement."""

    @property
    def value(self) -> str: ...
    @property
    def basis(self) -> MeasurementBasis: ...


@dataclass(frozen=True)
class BalanceDoubt:
    """How far the unexplained mass of a run may be from the truth, with what it follows from.

    Parameters
    ----------
    lines, moistures : what was looked at; the lines without internal loops, which `looping` holds.
    """

    unexplained: Measured
    doubts: Doubts
    lines: Sequence[Line]
    looping: Sequence[Line]
    moistures: Mapping[int, Measurement]


@dataclass(frozen=True)
class ComputedBalance:
    """A balance with what it rests on.

    Parameters
    ----------
    inputs_hash : SHA-256 over every line, mass and moisture used, the tolerance, and what the doubt rests on.
    provisional : some moisture is a default or not final yet.
    doubt : None where only masses were looked at.
    """

    balance: Balance
    tolerance: Setting
    inputs_hash: str
    provisional: bool
    doubt: BalanceDoubt | None = None


def tolerance_of(session: Session, process: Process, known: Knowledge | None = None) -> Setting:
    """The tolerance in force when the run started: for its step, else for all steps."""
    scopes = (process.step.value, "")
    setting = find_setting(session, SettingKey.BALANCE_TOLERANCE, scopes, process.started_at, known)
    if setting is None:
        raise Unacceptable(
            "tolerance-unknown",
            f"No balance tolerance was in force for {process.step} at {process.started_at.isoformat()}.",
            "Set balance_tolerance_fraction with a validity that covers the run.",
        )
    return setting


def compute_balance(
    session: Session,
    process: Process,
    tolerance: Setting,
    known: Knowledge | None = None,
    *,
    with_doubt: bool = True,
    as_of: datetime | None = None,
) -> ComputedBalance:
    """Close a run on dry mass. Internal loops count neither as fed nor as out: once round is not twice.

    What a loop took out and did not bring back stands in a lot, and counts as out.

    Parameters
    ----------
    with_doubt : False for masses alone, as balances were closed before doubt was worked out.
    as_of : count only what had happened by this moment; of a line that was running then, what had passed, evenly.
    """
    every = lines_of_process(session, process.id, known)
    shares: dict[int, Fraction] = {}
    if as_of is not None:
        every = [line for line in every if line.start_at <= as_of]
        shares = {line.id: _passed(line, as_of) for line in every if line.end_at is not None and line.end_at > as_of}
    lines = [line for line in every if line.category is not Category.INTERNAL_LOOP]
    looping = [line for line in every if line.category is Category.INTERNAL_LOOP]
    masses = line_masses(session, every, known)
    masses |= {line_id: int(masses[line_id] * share) for line_id, share in shares.items() if line_id in masses}
    named = moistures(session, [line.moisture_id for line in every if line.moisture_id], known)
    doubt = None
    if with_doubt:
        doubts = doubts_of(session, every, masses, named, known, shares)
        doubt = BalanceDoubt(unexplained_of(doubts, every, process.step), doubts, lines, looping, named)
    return balance_of_lines(process.step, lines, masses, named, tolerance, doubt, looping)


def _passed(line: Line, moment: datetime) -> Fraction:
    """How much of a line that is running had passed by a moment within it; rounded down, as a period cuts it."""
    assert line.end_at is not None
    return Fraction((moment - line.start_at) // MICROSECOND, (line.end_at - line.start_at) // MICROSECOND)


def balance_of_lines(
    step: Step,
    lines: Sequence[BalancedLine],
    masses: Mapping[int, int],
    named: Mapping[int, StatedMoisture],
    tolerance: Setting,
    doubt: BalanceDoubt | None = None,
    looping: Sequence[BalancedLine] = (),
) -> ComputedBalance:
    """The balance that follows from lines already read.

    Parameters
    ----------
    lines : all lines of the run but internal loops.
    masses : grams by line, `whole` and `rest` resolved; estimates have none.
    named : the measurements that the lines name, by identity.
    doubt : what was worked out about how well these lines are known.
    looping : the internal loops of the run.
    """
    weighed: list[BalanceLine] = []
    estimates: list[FractionLoss] = []
    used: list[str] = [f"tolerance {tolerance.id} {tolerance.version}"]
    for line in lines:
        if line.fraction_ppm is not None:
            estimates.append(FractionLoss(line.stream, line.fraction_ppm))
            used.append(f"{line.id} {line.version} fraction {line.fraction_ppm}")
            continue
        moisture = named[line.moisture_id or 0]
        moisture_ppm = parse_fraction(moisture.value)
        weighed.append(BalanceLine(line.stream, line.direction, masses[line.id], moisture_ppm))
        if step is Step.SHIPPING and line.direction is Direction.IN:
            # What is loaded leaves the gate as it is: it goes out as the same mass.
            weighed.append(BalanceLine("dispatched", Direction.OUT, masses[line.id], moisture_ppm))
        used.append(f"{line.id} {line.version} {masses[line.id]} {moisture.value} {moisture.basis}")
    looped_ug = {Direction.OUT: 0, Direction.IN: 0}
    for line in looping:
        moisture = named[line.moisture_id or 0]
        looped_ug[line.direction] += dry_ug(masses[line.id], parse_fraction(moisture.value))
        used.append(f"{line.id} {line.version} {masses[line.id]} {moisture.value} {moisture.basis}")
    out_ug = sum(line.dry_ug for line in weighed if line.direction is Direction.OUT)
    used += () if doubt is None else doubt.doubts.used
    return ComputedBalance(
        balance=close(
            weighed,
            estimates,
            looped_ug=left_of_loops(looped_ug[Direction.OUT], looped_ug[Direction.IN], out_ug),
            tolerance=Tolerance(parse_fraction(tolerance.value)),
        ),
        tolerance=tolerance,
        inputs_hash=hashlib.sha256("\n".join(sorted(used)).encode()).hexdigest(),
        provisional=any(moisture.basis is not MeasurementBasis.MEASURED for moisture in named.values()),
        doubt=doubt,
    )


def kept_fraction(not_claimable_ug: int, product_dry_ug: int) -> Fraction:
    """What stays claimable of each product lot of a run when a gain is withheld, spread by mass."""
    if not_claimable_ug == 0:
        return Fraction(1)
    if product_dry_ug <= not_claimable_ug:
        return Fraction(0)
    return 1 - Fraction(not_claimable_ug, product_dry_ug)
