"""From the weighings of a truck to its masses: which readings count, what is taken off, what is paid.

Rows in, numbers out; nothing here reads or writes the database. Rules of arithmetic live in `core`.
"""

from dataclasses import dataclass
from decimal import Decimal

from service.core.calibration import Standing
from service.core.quantities import PPM
from service.core.receipt import PayableFormula, material_net_g, payable_g
from service.core.weighing import OutsideClass, standard_uncertainty_reading_g
from service.lots.statuses import MeasurementBasis
from service.partners.tables import Contract
from service.plant.in_force import calibration_of
from service.plant.tables import Instrument
from service.weighbridge.statuses import (
    Decision,
    DeductionKind,
    Purpose,
    WeighingEntry,
    WeighingKind,
    WeighingOrigin,
)
from service.weighbridge.tables import Deduction, Delivery, Weighing, WeighingChoice

COVERAGE_FACTOR = 2


@dataclass(frozen=True)
class Pair:
    """A gross and a tare reading that give one net."""

    gross: Weighing
    tare: Weighing

    @property
    def net_g(self) -> int:
        return self.gross.mass_g - self.tare.mass_g


@dataclass(frozen=True)
class Load:
    """A delivery with its current weighings, choices and deductions."""

    delivery: Delivery
    weighings: tuple[Weighing, ...]
    choices: tuple[WeighingChoice, ...]
    deductions: tuple[Deduction, ...]

    def choice(self, purpose: Purpose) -> WeighingChoice | None:
        return next((choice for choice in self.choices if choice.purpose is purpose), None)

    def weighing(self, weighing_id: int | None) -> Weighing | None:
        return next((weighing for weighing in self.weighings if weighing.id == weighing_id), None)

    def ties(self) -> Deduction | None:
        """The one deduction for wire or straps."""
        return next((taken for taken in self.deductions if taken.kind is DeductionKind.TIE), None)


def latest_pair(load: Load, origin: WeighingOrigin) -> Pair | None:
    """The latest gross and the latest tare of one origin, or None while one is missing."""
    latest: dict[WeighingKind, Weighing] = {}
    for weighing in sorted(load.weighings, key=lambda row: (row.weighed_at, row.id)):
        if weighing.origin is origin:
            latest[weighing.kind] = weighing
    if WeighingKind.GROSS in latest and WeighingKind.TARE in latest:
        return Pair(latest[WeighingKind.GROSS], latest[WeighingKind.TARE])
    return None


def chosen_pair(load: Load, purpose: Purpose) -> Pair | None:
    """The readings somebody chose for a purpose."""
    choice = load.choice(purpose)
    if choice is None:
        return None
    gross, tare = load.weighing(choice.gross_id), load.weighing(choice.tare_id)
    return None if gross is None or tare is None else Pair(gross, tare)


def physical_pair(load: Load) -> Pair | None:
    """The readings that are valid for physics: the chosen ones, else our latest."""
    return chosen_pair(load, Purpose.PHYSICAL) or latest_pair(load, WeighingOrigin.OWN)


def is_open(load: Load) -> bool:
    """A ticket that still waits for a weighing."""
    return physical_pair(load) is None and load.delivery.decision is not Decision.REJECTED


def deducted_g(load: Load, purpose: Purpose) -> int:
    return sum(taken.pieces * taken.per_piece_g for taken in load.deductions if taken.purpose is purpose)


def material_g(load: Load) -> int | None:
    """Physical material net: gross - tare - ties - pallets, grams; None while the ticket is open.

    Raises
    ------
    NetNotPositive : the deductions leave nothing.
    """
    pair = physical_pair(load)
    if pair is None:
        return None
    return material_net_g(pair.gross.mass_g, pair.tare.mass_g, [deducted_g(load, Purpose.PHYSICAL)])


def payment_net_g(load: Load) -> int | None:
    """The net that is valid for payment: agreed, chosen, or simply the physical one."""
    choice = load.choice(Purpose.PAYMENT)
    if choice is not None and choice.agreed_net_g is not None:
        return choice.agreed_net_g
    pair = chosen_pair(load, Purpose.PAYMENT) or physical_pair(load)
    return None if pair is None else pair.net_g


def payment_basis_g(load: Load, sent_back_g: int = 0) -> int | None:
    """What the moisture formula is applied to: payment net less ties, pallets, contaminants and what went back."""
    net_g = payment_net_g(load)
    if net_g is None:
        return None
    return net_g - deducted_g(load, Purpose.PHYSICAL) - deducted_g(load, Purpose.PAYMENT) - sent_back_g


@dataclass(frozen=True)
class Payable:
    """Payable mass in grams, or the reason why it cannot be stated yet."""

    payable_g: int | None
    formula: PayableFormula | None
    is_provisional: bool
    missing_because: str | None


def payable_of(
    load: Load,
    *,
    supplier_is_mapped: bool,
    contract: Contract | None,
    moisture_ppm: int | None,
    moisture_basis: MeasurementBasis,
    sent_back_g: int,
) -> Payable:
    """The payable mass by the contract's formula; all reasons against it are named at once."""
    basis_g = payment_basis_g(load, sent_back_g)
    reasons = [
        reason
        for reason, applies in (
            ("the ticket has no net yet", basis_g is None),
            ("the supplier is not mapped to master data", not supplier_is_mapped),
            ("no contract holds for this supplier and material on that day", contract is None),
            (
                "no moisture was stated or measured yet",
                moisture_ppm is None or moisture_basis is MeasurementBasis.DEFAULT,
            ),
            ("the delivery was reversed", load.delivery.void),
            ("the whole load was rejected", load.delivery.decision is Decision.REJECTED),
            ("nothing is left to pay after deductions", basis_g is not None and basis_g <= 0),
        )
        if applies
    ]
    formula = None if contract is None else contract.payable_formula
    if reasons or basis_g is None or contract is None or moisture_ppm is None:
        return Payable(None, formula, False, "; ".join(reasons))
    paid_g = payable_g(contract.payable_formula, basis_g, moisture_ppm, contract.moisture_allowance_ppm)
    return Payable(paid_g, formula, moisture_basis is MeasurementBasis.PROVISIONAL, None)


@dataclass(frozen=True)
class Doubt:
    """Expanded uncertainty of a net in grams, or the reason why none is stated."""

    expanded_g: Decimal | None
    missing_because: str | None


def net_doubt(pair: Pair | None, instruments: dict[int, Instrument]) -> Doubt:
    """U = k x sqrt(u_gross^2 + u_tare^2) of a net, k = 2, from the per-reading component of each scale.

    A scale's own `u_reading` goes before the in-service limit of its class. Where the doubt of a reading
    is not known, none is stated rather than one that is too small; so it is while no calibration was valid.

    Parameters
    ----------
    instruments : by weighing, the version of its scale that was in force then.
    """
    if pair is None:
        return Doubt(None, "the ticket has no net yet")
    variance_g2 = Decimal(0)
    for reading in (pair.gross, pair.tare):
        instrument = instruments.get(reading.id)
        if reading.entry is WeighingEntry.STORED_TARE:
            return Doubt(None, "a stored tare does not say how far the truck has changed since it was weighed")
        if instrument is None:
            return Doubt(None, f"weighing {reading.id} was made on a scale whose class is not known here")
        if calibration_of(instrument).standing_at(reading.weighed_at) is not Standing.VALID:
            return Doubt(None, f"no calibration of scale {instrument.code} was valid for weighing {reading.id}")
        try:
            u_g = _reading_u_g(reading, instrument)
        except OutsideClass as fault:
            return Doubt(None, f"weighing {reading.id}: {fault}")
        variance_g2 += u_g * u_g
    return Doubt(COVERAGE_FACTOR * variance_g2.sqrt(), None)


def _reading_u_g(reading: Weighing, instrument: Instrument) -> Decimal:
    if instrument.u_reading_g is not None:
        return Decimal(instrument.u_reading_g)
    return standard_uncertainty_reading_g(instrument.accuracy_class, instrument.e_g, reading.mass_g)


@dataclass(frozen=True)
class SupplierDifference:
    """The supplier's net against ours, grams; `is_inside` is judged on whole grams, not on the printed fraction."""

    supplier_net_g: int
    our_net_g: int
    tolerance_ppm: int | None

    @property
    def difference_g(self) -> int:
        return self.supplier_net_g - self.our_net_g

    @property
    def is_inside(self) -> bool | None:
        if self.tolerance_ppm is None:
            return None
        return abs(self.difference_g) * PPM <= self.tolerance_ppm * self.our_net_g


def supplier_difference(load: Load, tolerance_ppm: int | None) -> SupplierDifference | None:
    """Their note (or, without one, their two weighings) against our physical net; None until both exist."""
    ours = physical_pair(load)
    their_pair = latest_pair(load, WeighingOrigin.SUPPLIER)
    theirs_g = load.delivery.note_mass_g
    if theirs_g is None and their_pair is not None:
        theirs_g = their_pair.net_g
    if ours is None or theirs_g is None:
        return None
    return SupplierDifference(theirs_g, ours.net_g, tolerance_ppm)
