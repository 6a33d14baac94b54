"""Placing and lifting holds."""

from service.core.codes import identity_of, normalise
from service.errors import Conflict, NotFound
from service.journal.entry import Entry
from service.journal.read import find_current, get_current, kind_of, text_of, versions
from service.journal.tables import JournalEntry, site_of
from service.lineage.closure import Ways, lots_reached
from service.lineage.holds import held_lots
from service.lineage.schemas import HoldIn, HoldOut, LiftIn
from service.lineage.subjects import Subject
from service.lots.queries import get_lot, lots_by_id
from service.lots.statuses import HoldSubject
from service.lots.tables import Hold
from service.partners.queries import get_partner
from service.weighbridge.tables import Delivery


def place_hold(entry: Entry, hold: HoldIn) -> HoldOut:
    """Put something on hold; whatever may contain some of it is held from the same moment on."""
    session = entry.session
    if hold.lot is not None:
        kind, subject_id = HoldSubject.LOT, get_lot(session, hold.lot).id
        assert identity_of(normalise(hold.lot)) == subject_id
    elif hold.delivery_id is not None:
        kind, subject_id = HoldSubject.DELIVERY, hold.delivery_id
        get_current(session, Delivery, hold.delivery_id, "delivery")
    else:
        kind, subject_id = HoldSubject.PARTNER, get_partner(session, hold.partner or "").id
    entry.open(site_of(subject_id), "hold_placed", hold.placed_at)
    number = entry.new_id("hold")
    return hold_out(entry, add_hold(entry, number, Subject(kind, subject_id), entry.text(hold.cause)))


def add_hold(entry: Entry, number: int, subject: Subject, cause_id: int) -> Hold:
    """Store a hold under a new identity within an entry that is open: its own, or that of a recall."""
    return entry.add(
        Hold(
            id=number,
            subject_kind=subject.kind,
            subject_id=subject.id,
            cause_id=cause_id,
            from_at=subject.from_at,
            to_at=subject.to_at,
        )
    )


def lift_hold(entry: Entry, hold_id: int, lift: LiftIn) -> HoldOut:
    """Lift a hold: a void version, by another person than the one who placed it.

    Raises
    ------
    Conflict : the same person placed it (four eyes).
    """
    if kind_of(entry.session, hold_id) != "hold":
        raise NotFound("hold-not-found", f"There is no hold {hold_id}.", "List the holds first.")
    entry.open(site_of(hold_id), "hold_lifted")
    hold = find_current(entry.session, Hold, hold_id)
    if hold is None:
        raise Conflict("hold-already-lifted", f"Hold {hold_id} was lifted before.", "Nothing is left to do.")
    placed = entry.session.get(JournalEntry, versions(entry.session, Hold, hold_id)[0].seq)
    if placed is not None and placed.actor_id == entry.actor_id:
        raise Conflict(
            "four-eyes",
            "The person who placed a hold may not lift it.",
            "Ask the responsible quality person to lift it.",
        )
    return hold_out(entry, entry.void(hold, lift.reason))


def hold_out(entry: Entry, hold: Hold) -> HoldOut:
    session = entry.session
    sources = held_lots(session, hold)
    reached = lots_reached(session, Ways(session).ahead(sources)) or set()
    affected = lots_by_id(session, reached.union(sources))
    return HoldOut(
        id=hold.id,
        subject_kind=hold.subject_kind,
        subject_id=hold.subject_id,
        cause=text_of(session, hold.cause_id) or "",
        placed_at=hold.effective_at,
        lifted=hold.void,
        affected_lots=sorted(lot.code for lot in affected.values()),
    )
