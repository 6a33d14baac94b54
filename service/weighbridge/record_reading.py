"""The verb that corrects a reading somebody typed in wrongly."""

from service.core.quantities import kg_text
from service.errors import Conflict, Finding, NotFound, Unacceptable
from service.journal.entry import Entry
from service.journal.read import find_current
from service.journal.tables import site_of
from service.plant.tables import Instrument
from service.weighbridge.answer import delivery_out
from service.weighbridge.queries import get_working_delivery, load_of
from service.weighbridge.record_weighing import refuse_tare_above_gross
from service.weighbridge.scale import refuse_beyond_range
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.schemas_reading import WeighingCorrectionIn
from service.weighbridge.spread import spread_net
from service.weighbridge.statuses import WeighingEntry
from service.weighbridge.tables import Weighing


def correct_weighing(entry: Entry, delivery_id: int, weighing_id: int, body: WeighingCorrectionIn) -> DeliveryOut:
    """Correct a mistyped figure: the next version of the same reading, with the reason.

    What a scale sent itself is evidence and is not corrected; weigh again instead. The masses of bales follow.

    Raises
    ------
    NotFound : unknown delivery, or the weighing is not one of it.
    Conflict : the delivery was reversed or rejected; the reading says this already.
    Unacceptable : the reading came from the indicator; beyond the scale's range; tare not below gross.
    """
    entry.open(site_of(delivery_id), "weighing_corrected")
    delivery = get_working_delivery(entry.session, delivery_id)
    weighing = load_of(entry.session, delivery).weighing(weighing_id)
    if weighing is None:
        raise NotFound(
            "weighing-not-found",
            f"Ticket {delivery.ticket_no} has no weighing {weighing_id}.",
            "Use an id from the delivery's list of weighings.",
        )
    _refuse_evidence(weighing)
    if weighing.mass_g == body.mass_kg:
        remedy = "Nothing is left to do; check whether another reading was meant."
        fault = f"this reading says {kg_text(weighing.mass_g)} kg already"
        raise Conflict(
            "nothing-to-correct", "The reading would not change.", remedy, (Finding("/mass_kg", fault, remedy),)
        )
    if weighing.instrument_id is not None:
        instrument = find_current(entry.session, Instrument, weighing.instrument_id)
        assert instrument is not None, "a scale that weighed something is never withdrawn"
        refuse_beyond_range(instrument, body.mass_kg, "")
    corrected: Weighing = entry.revise(weighing, body.reason, mass_g=body.mass_kg)
    refuse_tare_above_gross(load_of(entry.session, delivery), corrected.origin, "/mass_kg")
    spread_net(entry, delivery, reason=body.reason, pointer="/mass_kg")
    return delivery_out(entry.session, delivery)


def _refuse_evidence(weighing: Weighing) -> None:
    if weighing.entry is WeighingEntry.MANUAL and weighing.frame is None:
        return
    remedy = "Weigh again, or record which weighings count with POST /v1/deliveries/{id}/weighing-choice."
    fault = f"weighing {weighing.ticket_series} {weighing.ticket_no} was not typed in, so it cannot be mistyped"
    raise Unacceptable(
        "reading-is-evidence",
        "Only a reading that was typed in can be corrected.",
        remedy,
        (Finding("/mass_kg", fault, remedy),),
    )
