"""A lot's trace for a terminal: as one JSON object, or as a sheet that a person reads from top to bottom.

Both say the same and rest on the same answer as the service gives over HTTP; nothing is computed here.
"""

from collections.abc import Iterable, Sequence

from sqlmodel import Session, col

from service.balances.queries import balance_out, find_balance
from service.core.quantities import kg_text, share_text
from service.journal.read import Knowledge, current, known_now
from service.lineage.basis import basis_words
from service.lineage.down import trace_down_out
from service.lineage.parties import deliveries_of, partner_names
from service.lineage.trace import Trace, remainder_words, trace_lot
from service.lineage.trace_out import ShareRow, sizes_out, trace_out
from service.lots.queries import get_lot, get_process, materials_of
from service.lots.statuses import Step
from service.lots.stock import accounts_of
from service.lots.tables import Process
from service.partners.queries import get_partner
from service.plant.residence import residences_of
from service.plant.tables import Equipment, Residence
from service.web import Out

NOT_DECIDED_HERE = "Computed from what was recorded. It decides neither food contact nor any claim."


def origins_json(session: Session, code: str, known: Knowledge | None, *, expand: bool) -> str:
    """What a lot was made from, as exactly one JSON object."""
    trace = trace_lot(session, get_lot(session, code), known)
    return trace_out(session, trace, known, expand=expand).as_model().model_dump_json(by_alias=True, indent=2)


def origins_sheet(session: Session, code: str, known: Knowledge | None, *, expand: bool) -> str:
    """What a lot was made from: suppliers, then every origin lot with its ticket, then the balances behind it."""
    trace = trace_lot(session, get_lot(session, code), known)
    answer = trace_out(session, trace, known, expand=expand)
    account = accounts_of(session, [trace.lot.id], known)[trace.lot.id]
    product = materials_of(session, [trace.lot.id], known)[trace.lot.id].name
    suppliers = [(row.supplier, str(row.lots), row.share) for row in answer.suppliers]
    return "\n".join(
        [
            f"Lot {answer.lot}: {product}, {kg_text(account.mass_g or 0)} kg, "
            f"post-consumer {answer.post_consumer_share_percent} % of the dry mass",
            NOT_DECIDED_HERE,
            "",
            *table(("supplier", "lots", "share"), suppliers),
            "",
            *table(("supplier", "ticket", "lot", "kind", "share"), _origin_rows(session, trace, answer.shares, known)),
            f"remainder ({remainder_words(trace)}): {answer.remainder}",
            "",
            *_may_contain_words(trace, answer.why_wide),
            "",
            *_balances(session, answer.steps, known),
        ]
    )


class SupplierShareOut(Out):
    """How much of one supplier is in a lot: expected share, and how many of its lots may be in it at all."""

    lot: str
    supplier: str
    name: str
    share: str
    lots_that_may_be_in_it: list[str]
    denominator: str
    known_sizes: dict[str, int]


def supplier_json(session: Session, code: str, known: Knowledge | None, *, supplier: str) -> str:
    """How much of one supplier is in a lot, as exactly one JSON object."""
    return _supplier_share(session, code, known, supplier).model_dump_json(indent=2)


def supplier_sheet(session: Session, code: str, known: Knowledge | None, *, supplier: str) -> str:
    """How much of one supplier is in a lot, in words; that none is expected is not that none can be in it."""
    answer = _supplier_share(session, code, known, supplier)
    some = answer.lots_that_may_be_in_it
    return "\n".join(
        [
            f"Lot {answer.lot}: expected share of {answer.name}: {answer.share} of its {answer.denominator}.",
            f"It may contain {len(some)} lots of {answer.name}{': ' if some else '.'}{', '.join(some)}",
            NOT_DECIDED_HERE,
        ]
    )


def _supplier_share(session: Session, code: str, known: Knowledge | None, supplier: str) -> SupplierShareOut:
    partner = get_partner(session, supplier)
    trace = trace_lot(session, get_lot(session, code, known), known)
    deliveries = deliveries_of(session, trace.lots.values(), known)
    of_supplier = {
        lot_id
        for lot_id in trace.composition.may_contain
        if (delivery := deliveries.get(trace.lots[lot_id].delivery_id or 0)) and delivery.supplier_id == partner.id
    }
    share_e12 = sum(share for lot_id, share in trace.composition.shares if lot_id in of_supplier)
    return SupplierShareOut(
        lot=trace.lot.code,
        supplier=partner.code,
        name=partner_names(session, [partner.id], known)[partner.id],
        share=share_text(share_e12),
        lots_that_may_be_in_it=sorted(trace.lots[lot_id].code for lot_id in of_supplier),
        denominator="dry mass",
        known_sizes=sizes_out(known or known_now(session)),
    )


def descendants_json(session: Session, code: str, known: Knowledge | None) -> str:
    """Where a lot went, as exactly one JSON object."""
    return trace_down_out(session, [get_lot(session, code)], known).as_model().model_dump_json(by_alias=True, indent=2)


def descendants_sheet(session: Session, code: str, known: Knowledge | None) -> str:
    """Where a lot went: every lot and vessel that may contain some of it."""
    answer = trace_down_out(session, [get_lot(session, code)], known)
    lots = list(answer.affected)
    vessels = [(row.vessel, row.content_dry_kg, row.share) for row in answer.vessels]
    return "\n".join(
        [
            f"{len(lots)} lots may contain some of lot {', '.join(answer.sources)}.",
            NOT_DECIDED_HERE,
            "",
            *table(("lot", "kind", "kg", "kg on hand", "share"), lots),
            "",
            *table(("vessel", "dry kg", "share"), vessels),
        ]
    )


def table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    """Lines of a table whose columns are as wide as their longest entry."""
    cells = [heads, *rows]
    widths = [max(len(row[place]) for row in cells) for place in range(len(heads))]
    lines = ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in cells]
    return [lines[0], "  ".join("-" * width for width in widths), *lines[1:]]


def _origin_rows(
    session: Session, trace: Trace, shares: Sequence[ShareRow], known: Knowledge | None
) -> list[tuple[str, ...]]:
    by_code = {lot.code: lot for lot in trace.lots.values()}
    deliveries = deliveries_of(session, trace.lots.values(), known)
    names = partner_names(session, [delivery.supplier_id for delivery in deliveries.values()], known)
    rows: list[tuple[str, ...]] = []
    for bale, kind, share, _, _ in shares:
        delivery = deliveries.get(by_code[bale].delivery_id or 0)
        supplier = "-" if delivery is None else names[delivery.supplier_id]
        ticket = "-" if delivery is None else delivery.ticket_no
        rows.append((supplier, ticket, bale, kind, share))
    return rows


def _may_contain_words(trace: Trace, why_wide: Sequence[str]) -> list[str]:
    if trace.is_ranged:
        return ["May contain more than can be listed here (--expand lists it):", *why_wide]
    named = len(trace.composition.may_contain)
    return [f"May contain {named} origin lots, {_without_share(trace)} of them with no expected share.", *why_wide]


def _without_share(trace: Trace) -> int:
    return len(trace.composition.may_contain - {lot_id for lot_id, _ in trace.composition.shares})


def _what_vessel_rests_on(
    session: Session, vessel: Equipment, period: Process, known: Knowledge | None
) -> Sequence[str]:
    """A sentence for each of the residence data that held in a period, or one that says there are none."""
    stated: list[Residence | None] = [
        statement
        for statement in residences_of(session, vessel.id, known)
        if (statement.valid_to is None or period.started_at < statement.valid_to)
        and (period.ended_at is None or statement.valid_from < period.ended_at)
    ]
    return [basis_words(vessel, statement) for statement in stated or [None]]


def _balances(session: Session, steps: Sequence[int], known: Knowledge | None) -> list[str]:
    """One paragraph per step behind the lot, in the order in which the steps were recorded."""
    lines = ["Steps behind it"]
    for step_id in steps:
        process = get_process(session, step_id, known)
        if process.step is Step.VESSEL_PERIOD:
            query = current(Equipment, known).where(col(Equipment.id) == process.equipment_id)
            vessel = session.execute(query).scalar_one()
            lines += [f"  vessel {words}" for words in _what_vessel_rests_on(session, vessel, process, known)]
            continue
        balance = find_balance(session, step_id, known)
        said = "open, not balanced yet" if balance is None else balance_out(session, balance).sentence
        version = "" if balance is None else f", balance version {balance.version}"
        provisional = ", provisional" if balance is not None and balance.provisional else ""
        lines.append(f"  {process.step.value} {step_id}{version}{provisional}: {said}")
    return lines
