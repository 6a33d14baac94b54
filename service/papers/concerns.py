"""What, as far as recorded here, stands against using a lot for food: everything found, at once.

An empty list is no release. It says that nothing recorded speaks against the lot; critical parameters,
laboratory results and the assessment itself are not looked at here.
"""

from collections.abc import Iterable

from sqlmodel import Session, col

from service.balances.queries import find_balance
from service.core.mass_balance import Verdict
from service.journal.read import current
from service.lineage.holds import holds_reaching
from service.lineage.parties import deliveries_of, partner_names
from service.lineage.trace import BEFORE_RECORDS, Trace
from service.lots.queries import get_process, lots_by_id, materials_of
from service.lots.statuses import LotOrigin, Step
from service.partners.tables import Partner
from service.weighbridge.statuses import NonFoodStatus


def concerns_about(session: Session, trace: Trace, steps: Iterable[int]) -> list[str]:
    """Sentences, each naming its evidence.

    Parameters
    ----------
    trace : of the lot.
    steps : runs and vessel periods behind it.
    """
    return [
        *_about_holds(session, trace),
        *_about_origins(session, trace),
        *_about_what_is_not_listed(trace),
        *_about_deliveries(session, trace),
        *_about_balances(session, steps),
    ]


def _about_holds(session: Session, trace: Trace) -> list[str]:
    reached = holds_reaching(session, [trace.lot.id], trace.walked).get(trace.lot.id, [])
    return [f"Hold {reach.hold.id} reaches it through lot {reach.source.code}." for reach in reached]


def _about_origins(session: Session, trace: Trace) -> list[str]:
    origins = [trace.lots[lot_id] for lot_id in sorted(trace.composition.may_contain)]
    found = [
        f"It may contain lot {lot.code}, which stood here {BEFORE_RECORDS}: origin unknown."
        for lot in origins
        if lot.origin is LotOrigin.OPENING
    ]
    unattributed = lots_by_id(session, trace.composition.unattributed_at)
    found += [
        f"Part of lot {lot.code} comes from nothing on record: more was drawn than was there."
        for lot in sorted(unattributed.values(), key=lambda lot: lot.code)
    ]
    visited = materials_of(session, trace.composition.visited)
    lots = lots_by_id(session, visited)
    found += [
        f"Lot {lots[lot_id].code} is of {material.code}, which is no material for food."
        for lot_id, material in sorted(visited.items())
        if not material.food_candidate
    ]
    return found


def _about_what_is_not_listed(trace: Trace) -> list[str]:
    """Where what may be in it is too much to list, nobody has looked at all of it."""
    if trace.wide is None or not trace.is_ranged:
        return []
    return [f"{one.why} That was not looked at lot by lot." for one in trace.wide.ranges]


def _about_deliveries(session: Session, trace: Trace) -> list[str]:
    deliveries = deliveries_of(session, [trace.lots[lot_id] for lot_id in trace.composition.may_contain])
    supplier_ids = [delivery.supplier_id for delivery in deliveries.values()]
    query = current(Partner).where(col(Partner.id).in_(supplier_ids), col(Partner.is_mapped).is_(False))
    unmapped = {partner.id for partner in session.execute(query).scalars()}
    names = partner_names(session, supplier_ids)
    found = []
    for delivery in sorted(deliveries.values(), key=lambda delivery: delivery.id):
        if delivery.supplier_id in unmapped:
            found.append(f"Ticket {delivery.ticket_no}: supplier {names[delivery.supplier_id]!r} is not mapped.")
        if delivery.nonfood_status is NonFoodStatus.MISSING:
            found.append(f"Ticket {delivery.ticket_no}: nothing is stated about plastic from non-food use.")
    return found


def _about_balances(session: Session, steps: Iterable[int]) -> list[str]:
    found = []
    for process_id in steps:
        step = get_process(session, process_id).step
        if step in (Step.VESSEL_PERIOD, Step.RETURN_TO_SUPPLIER, Step.COUNT_CORRECTION):
            continue
        balance = find_balance(session, process_id)
        if balance is None:
            found.append(f"The {step.value} run {process_id} is not closed: no balance.")
        elif balance.verdict is not Verdict.CLOSES:
            found.append(f"The {step.value} run {process_id}: {balance.verdict.value.replace('_', ' ')}.")
        elif balance.provisional:
            found.append(f"The balance of {step.value} run {process_id} rests on a moisture that is not final.")
    return found
