"""How much a lot ever held, who took what, and what is left: one rule, used by every verb.

A lot may never give more than it holds, beyond the stated weighing tolerance, neither now nor at any past
moment (a line booked late counts from when it was so).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import bindparam, select, update
from sqlmodel import Session, col

from service.core.quantities import kg_text, parse_kg
from service.errors import Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.read import Knowledge
from service.lots.queries import chunks, lines_of_lots, lots_by_id, origin_masses, takes
from service.lots.statuses import Amount, Category, Direction, LotKind
from service.lots.tables import Line, Lot, LotMass, LotStock
from service.plant.queries import find_setting
from service.plant.statuses import SettingKey

REMEDY = "Check the mass, feed 'rest' instead of a figure, or correct the line that took too much."


@dataclass(frozen=True)
class LotAccount:
    """The mass account of one lot, in grams.

    Parameters
    ----------
    mass_g : all it ever held; None while a bale waits for its truck's tare.
    taken : each consuming line with its mass; `whole` and `rest` resolved.
    """

    lot: Lot
    origin: LotMass | None
    produced: tuple[Line, ...]
    taken: tuple[tuple[Line, int], ...]
    mass_g: int | None

    @property
    def on_hand_g(self) -> int:
        return (self.mass_g or 0) - sum(mass for _, mass in self.taken)

    def mass_of(self, line: Line) -> int:
        """The mass of one of this lot's lines, in grams."""
        if line.mass_g is not None:
            return line.mass_g
        return next(mass for taken, mass in self.taken if taken.id == line.id)


def accounts_of(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, LotAccount]:
    """The accounts of several lots, as known at `known`."""
    lots = lots_by_id(session, lot_ids)
    lines = lines_of_lots(session, lots, known)
    masses = origin_masses(session, lots, known)
    return {lot_id: _account(lot, masses.get(lot_id), lines.get(lot_id, [])) for lot_id, lot in lots.items()}


def _account(lot: Lot, origin: LotMass | None, lines: Sequence[Line]) -> LotAccount:
    produced = tuple(line for line in lines if line.direction is Direction.OUT)
    mass_g: int | None = sum(line.mass_g or 0 for line in produced) if produced else None
    if origin is not None:
        mass_g = origin.material_g
    taking = [line for line in lines if takes(line)]
    in_figures = sum(line.mass_g or 0 for line in taking)
    taken = tuple((line, line.mass_g if line.mass_g is not None else (mass_g or 0) - in_figures) for line in taking)
    return LotAccount(lot, origin, produced, taken, mass_g)


def settle_stock(entry: Entry, lot_ids: Iterable[int], pointer: str | Mapping[int, str] = "") -> None:
    """Bring `lot_stock` of these lots up to date after their facts changed, or refuse the change.

    The site's log is locked by this entry, so no other writer can take from the same lots meanwhile; the
    table's own CHECK is the second line of defence.

    Parameters
    ----------
    pointer : where in the request the lots were named, for all or by lot id.

    Raises
    ------
    Unacceptable : a lot would give more than it holds, at some moment; the message names lot, moment and lines.
    """
    accounts = accounts_of(entry.session, lot_ids)
    tolerance_of = _stated_tolerances(entry.session, accounts)
    findings = Findings()
    for lot_id, account in accounts.items():
        where = pointer if isinstance(pointer, str) else pointer.get(lot_id, "")
        check_account(findings, account, tolerance_of[lot_id], where)
    findings.refuse_if_any(
        Unacceptable,
        code="lot-gives-more-than-it-holds",
        detail="A lot would give more than it holds.",
        remedy=REMEDY,
    )
    if accounts:
        entry.session.connection().execute(
            update(LotStock)
            .where(col(LotStock.lot_id) == bindparam("settled_lot"))
            .values(on_hand_g=bindparam("settled_g")),
            [{"settled_lot": lot_id, "settled_g": account.on_hand_g} for lot_id, account in accounts.items()],
        )


def _stated_tolerances(session: Session, lot_ids: Iterable[int]) -> dict[int, int]:
    """The tolerance stated for each lot when it was registered, in grams."""
    found: dict[int, int] = {}
    for portion in chunks(lot_ids):
        rows = session.execute(
            select(col(LotStock.lot_id), col(LotStock.tolerance_g)).where(col(LotStock.lot_id).in_(portion))
        )
        found |= {row.lot_id: row.tolerance_g for row in rows}
    return found


def check_account(findings: Findings, account: LotAccount, tolerance: int, pointer: str) -> None:
    """Add a finding if the lot gives more than it holds now or at any moment that was."""
    code = account.lot.code
    if account.taken and account.mass_g is None:
        findings.add(
            pointer,
            f"lot {code} has no mass yet: its truck has no tare weighing",
            "Weigh the truck's tare first, or weigh the bale on the platform scale.",
        )
        return
    for line, mass in account.taken:
        if mass <= 0:
            others = ", ".join(f"line {other.id}" for other, _ in account.taken if other.id != line.id)
            findings.add(
                pointer,
                f"nothing of lot {code} ({kg_text(account.mass_g or 0)} kg) is left for line {line.id} of process "
                f"{line.process_id}; {others or 'no other line'} took it: the rest would be {kg_text(mass)} kg",
                REMEDY,
            )
            return
    held = 0
    for moment, change in _movements(account):
        held += change
        if held < -tolerance:
            findings.add(
                pointer,
                f"lot {code} holds {kg_text(account.mass_g or 0)} kg in all; at {moment.isoformat()} it would "
                f"have given {kg_text(-held)} kg more than it held",
                REMEDY,
            )
            return


def _movements(account: LotAccount) -> list[tuple[datetime, int]]:
    """What came and went, in time order, arrivals before departures at the same moment.

    Mass counts as there from the start of what makes it and as gone at the end of what takes it, so that a
    bag may be fed on while it is still being filled; only what is impossible is refused.
    """
    if account.origin is not None:
        arrivals = [(account.lot.born_at, account.origin.material_g)]
    else:
        arrivals = [(line.start_at, line.mass_g or 0) for line in account.produced]
    departures = [(line.end_at or line.start_at, -mass) for line, mass in account.taken]
    return sorted(arrivals + departures, key=lambda movement: (movement[0], -movement[1]))


def tolerance_g(session: Session, kind: LotKind, born_at: datetime) -> int:
    """The weighing tolerance stated for a kind of lot at a moment; zero unless the plant states one."""
    setting = find_setting(session, SettingKey.LOT_TOLERANCE, (kind.value, ""), born_at)
    return 0 if setting is None else parse_kg(setting.value)


def line_masses(session: Session, lines: Sequence[Line], known: Knowledge | None = None) -> dict[int, int]:
    """Mass in grams of each line that states one, `whole` and `rest` resolved; estimates are left out."""
    open_amounts = {line.lot_id for line in lines if line.amount in (Amount.WHOLE, Amount.REST) and line.lot_id}
    accounts = accounts_of(session, open_amounts, known)
    masses: dict[int, int] = {}
    for line in lines:
        if line.mass_g is not None:
            masses[line.id] = line.mass_g
        elif line.lot_id in accounts:
            masses[line.id] = accounts[line.lot_id].mass_of(line)
    return masses


def is_material(line: Line) -> bool:
    """Whether a line is part of what products are made of: not ties, not an internal loop."""
    return line.category not in (Category.TIES, Category.INTERNAL_LOOP)
