"""How the gate says what its closed lists mean."""

from typing import assert_never

from service.weighbridge.schemas_out import DeliveryOut, DeliverySummary
from service.weighbridge.statuses import Decision, DeliveryForm, RemarkKind, WeighingEntry, WeighingKind


def ticket_state(ticket: DeliveryOut | DeliverySummary, *, is_reversed: bool) -> str:
    """Where a ticket stands, in a few words."""
    if is_reversed:
        return "Reversed"
    if ticket.decision is Decision.REJECTED:
        return "Whole load rejected"
    if ticket.is_open:
        return "Waits for a weighing"
    return decision_words(ticket.decision)


def decision_words(decision: Decision) -> str:
    match decision:
        case Decision.ACCEPTED:
            return "Weighed"
        case Decision.DEDUCTED:
            return "Weighed, with deductions"
        case Decision.PART_REJECTED:
            return "Weighed, part of it rejected"
        case Decision.REJECTED:
            return "Whole load rejected"
        case Decision.QUARANTINED:
            return "In quarantine"
    assert_never(decision)


def remark_words(kind: RemarkKind) -> str:
    match kind:
        case RemarkKind.DAMAGED:
            return "Damaged or burst"
        case RemarkKind.WET:
            return "Wet"
        case RemarkKind.ODOUR:
            return "Smells"
        case RemarkKind.CONTAMINATED:
            return "Dirty or contaminated"
        case RemarkKind.FOREIGN_OBJECT:
            return "Something in it that does not belong"
        case RemarkKind.OTHER:
            return "Something else"
    assert_never(kind)


def entry_words(entry: WeighingEntry) -> str:
    match entry:
        case WeighingEntry.INDICATOR:
            return "read by the scale"
        case WeighingEntry.MANUAL:
            return "typed in"
        case WeighingEntry.STORED_TARE:
            return "stored tare, not weighed this time"
    assert_never(entry)


def kind_words(kind: WeighingKind) -> str:
    match kind:
        case WeighingKind.GROSS:
            return "Gross"
        case WeighingKind.TARE:
            return "Tare"
        case WeighingKind.PLATFORM:
            return "Platform"
    assert_never(kind)


def load_words(form: DeliveryForm) -> str:
    match form:
        case DeliveryForm.BALES:
            return "bales"
        case DeliveryForm.LOOSE:
            return "loose"
        case DeliveryForm.PACKED:
            return "packed goods"
    assert_never(form)
