"""Verbs on lots themselves: registering them, and the mass of those whose history begins here."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import insert

from service.core.codes import code_for
from service.journal.entry import Entry
from service.journal.read import versions
from service.lots.queries import origin_masses
from service.lots.statuses import LotKind, LotOrigin, MassBasis
from service.lots.stock import settle_stock, tolerance_g
from service.lots.tables import Lot, LotFact, LotMass, LotStock
from service.lots.ties import restate_ties


@dataclass(frozen=True)
class NewLot:
    """What a lot is when it comes to be; its code and number are given by the plant, never by a sender."""

    kind: LotKind
    origin: LotOrigin
    material_id: int
    born_at: datetime
    delivery_id: int | None = None
    supplier_tag: str | None = None
    owner_id: int | None = None
    note: str | None = None


@dataclass(frozen=True)
class OriginMass:
    """Mass of a lot whose history begins here, in grams; `tie_g` is the wire or strap around it."""

    lot_id: int
    material_g: int
    tie_g: int
    basis: MassBasis
    weighing_id: int | None = None


def register_lots(entry: Entry, new: Sequence[NewLot]) -> list[Lot]:
    """Give each lot an identity and a code that were never given before."""
    ids = entry.new_ids("lot", len(new))
    lots = [
        Lot(
            id=identity,
            code=code_for(identity),
            kind=lot.kind,
            origin=lot.origin,
            delivery_id=lot.delivery_id,
            supplier_tag=lot.supplier_tag,
            born_at=lot.born_at,
        )
        for identity, lot in zip(ids, new, strict=True)
    ]
    entry.add_all(lots)
    entry.add_all(
        [
            LotFact(
                id=identity,
                material_id=lot.material_id,
                owner_id=lot.owner_id,
                note=lot.note,
                effective_at=lot.born_at,
            )
            for identity, lot in zip(ids, new, strict=True)
        ]
    )
    if lots:
        tolerance_of = {
            alike: tolerance_g(entry.session, *alike) for alike in {(lot.kind, lot.born_at) for lot in lots}
        }
        entry.session.execute(
            insert(LotStock),
            [{"lot_id": lot.id, "on_hand_g": 0, "tolerance_g": tolerance_of[lot.kind, lot.born_at]} for lot in lots],
        )
    return lots


def set_origin_masses(entry: Entry, masses: Sequence[OriginMass], *, reason: str, pointer: str = "") -> None:
    """State or restate the mass of lots; only what changes becomes a new version.

    Raises
    ------
    Unacceptable : a lot that was fed already would then have given more than it holds.
    """
    earlier = origin_masses(entry.session, [mass.lot_id for mass in masses])
    first: list[LotMass] = []
    changed: list[int] = []
    retied: dict[int, int] = {}
    for mass in masses:
        values: dict[str, Any] = {
            "material_g": mass.material_g,
            "tie_g": mass.tie_g,
            "basis": mass.basis,
            "weighing_id": mass.weighing_id,
        }
        before = earlier.get(mass.lot_id)
        if before is None:
            first.append(LotMass(id=mass.lot_id, version=_next_version(entry, mass.lot_id), **values))
        elif any(getattr(before, name) != value for name, value in values.items()):
            entry.revise(before, reason, **values)
            if before.tie_g != mass.tie_g:
                retied[mass.lot_id] = mass.tie_g
        else:
            continue
        changed.append(mass.lot_id)
    for row in first:
        if row.version > 1:
            row.reason_id = entry.text(reason)
    entry.add_all(first)
    restate_ties(entry, retied, reason)
    settle_stock(entry, changed, pointer)


def _next_version(entry: Entry, lot_id: int) -> int:
    """1 for a new fact; after a withdrawn one the count goes on."""
    rows = versions(entry.session, LotMass, lot_id)
    return rows[-1].version + 1 if rows else 1


def withdraw_origin_masses(entry: Entry, lot_ids: Iterable[int], *, reason: str, pointer: str = "") -> None:
    """Take back the mass of lots that never came in (a rejected bale that stayed on the truck).

    Raises
    ------
    Unacceptable : one of them was fed already.
    """
    masses = origin_masses(entry.session, lot_ids)
    for mass in masses.values():
        entry.void(mass, reason)
    settle_stock(entry, masses, pointer)
