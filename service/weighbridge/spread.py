"""The one place where a delivery's net becomes the masses of its bales.

Every verb that can change the net, the deductions or the set of bales ends here, so the bales of a
delivery add up to its material net, to the gram, after every one of them.
"""

from service.core.apportion import apportion
from service.core.quantities import kg_text
from service.core.receipt import NetNotPositive, NothingToSpreadOver, WeighedExceedsTotal, respread
from service.errors import Finding, Unacceptable
from service.journal.entry import Entry
from service.lots.record import OriginMass, set_origin_masses
from service.lots.statuses import LotKind, MassBasis
from service.lots.tables import Lot
from service.weighbridge.masses import Load, material_g, physical_pair
from service.weighbridge.queries import Contents, contents_of, load_of
from service.weighbridge.tables import Delivery


def spread_net(entry: Entry, delivery: Delivery, *, reason: str, pointer: str = "") -> None:
    """Give the delivery's lots the masses that follow from what is recorded now; only changes are stored.

    Bales with a real weight keep it and the others share the rest evenly (`core.receipt.respread`). When
    every bale has one, the bridge's net stays the truth: it is split in proportion to the weights, the
    bales count as allocated, and the ticket shows the difference. A lot that is the whole load carries the
    weighed net itself. Without a net, or without lots, nothing happens.

    Parameters
    ----------
    pointer : the field of the request that is to blame when the masses do not work out.

    Raises
    ------
    Unacceptable : nothing would be left for some bale, or a fed bale would have given more than it holds.
    """
    load = load_of(entry.session, delivery)
    contents = contents_of(entry.session, delivery)
    total_g = _material_or_refuse(load, pointer)
    if total_g is None or not contents.carrying:
        return
    masses = _whole(load, contents.carrying[0], total_g)
    if len(contents.carrying) > 1:
        masses = _split(load, contents, total_g, pointer)
    set_origin_masses(entry, masses, reason=reason, pointer=pointer)


def _material_or_refuse(load: Load, pointer: str) -> int | None:
    try:
        return material_g(load)
    except NetNotPositive as fault:
        raise Unacceptable(
            "net-not-positive",
            "Gross, tare and deductions leave no material.",
            "Check the two weighings and the deductions.",
            (Finding(pointer, str(fault), "Check the two weighings and the deductions."),),
        ) from fault


def _whole(load: Load, lot: Lot, total_g: int) -> list[OriginMass]:
    """One lot takes the whole net; its mass is as weighed as the truck, so it names the gross weighing."""
    pair = physical_pair(load)
    assert pair is not None
    return [OriginMass(lot.id, total_g, _tie_g(load, lot), MassBasis.WEIGHED, pair.gross.id)]


def _split(load: Load, contents: Contents, total_g: int, pointer: str) -> list[OriginMass]:
    lots = contents.carrying
    weighed = [contents.platform.get(lot.id) for lot in lots]
    known_g = [None if weighing is None else weighing.mass_g for weighing in weighed]
    try:
        if None in known_g:
            pieces_g = respread(total_g, known_g)
        else:
            pieces_g = apportion(total_g, [mass_g or 0 for mass_g in known_g])
    except (WeighedExceedsTotal, NothingToSpreadOver) as fault:
        remedy = "Check the weights of the bales, and which truck weighings are valid for physics."
        raise Unacceptable(
            "bales-exceed-net",
            f"The bales do not fit into the material net of {kg_text(total_g)} kg.",
            remedy,
            (Finding(pointer, str(fault), remedy),),
        ) from fault
    masses = []
    for lot, weighing, piece_g in zip(lots, weighed, pieces_g, strict=True):
        is_own_weight = weighing is not None and weighing.mass_g == piece_g
        masses.append(
            OriginMass(
                lot.id,
                piece_g,
                _tie_g(load, lot),
                MassBasis.WEIGHED if is_own_weight else MassBasis.ALLOCATED,
                weighing.id if weighing is not None and is_own_weight else None,
            )
        )
    return masses


def _tie_g(load: Load, lot: Lot) -> int:
    ties = load.ties()
    return ties.per_piece_g if ties is not None and lot.kind is LotKind.BALE else 0
