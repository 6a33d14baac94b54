"""Storing one reading of one scale: its range, and the ticket number it goes under."""

from dataclasses import dataclass
from datetime import datetime

from service.core.quantities import kg_text
from service.core.weighing import over_range
from service.errors import Conflict, Finding, Findings, Unacceptable
from service.journal.entry import Entry
from service.plant.queries import find_by_code
from service.plant.tables import Instrument
from service.weighbridge.queries import ticket_taken
from service.weighbridge.statuses import WeighingEntry, WeighingKind, WeighingOrigin
from service.weighbridge.tables import Weighing


@dataclass(frozen=True)
class Reading:
    """One reading as it was reported.

    Parameters
    ----------
    instrument : code of one of our scales; None for somebody else's.
    ticket_series : whose numbers; None for our scale, whose series bears its code.
    ticket_no : None to be given the next number of our scale's series.
    """

    kind: WeighingKind
    mass_g: int
    weighed_at: datetime
    origin: WeighingOrigin = WeighingOrigin.OWN
    entry: WeighingEntry = WeighingEntry.INDICATOR
    instrument: str | None = None
    ticket_series: str | None = None
    ticket_no: str | None = None
    frame: bytes | None = None


def store_reading(
    entry: Entry,
    reading: Reading,
    *,
    delivery_id: int | None = None,
    lot_id: int | None = None,
    pointer: str = "",
) -> Weighing:
    """Store a weighing of a delivery or of a lot; `pointer` is where the reading stands in the request.

    Raises
    ------
    Unacceptable : the scale is unknown; the mass is beyond what the scale can show.
    Conflict : the ticket number was used before.
    """
    instrument = None
    if reading.instrument is not None:
        findings = Findings()
        instrument = look_up_scale(findings, entry, reading.instrument, f"{pointer}/instrument")
        findings.refuse_if_any(code="unknown-code", detail="The weighing names a scale that is not registered.")
        assert instrument is not None
        refuse_beyond_range(instrument, reading.mass_g, pointer)
    series = reading.ticket_series or (instrument.code if instrument else reading.origin.value)
    if reading.ticket_no is not None:
        ticket_no = reading.ticket_no
        _refuse_taken_ticket(entry, reading, series, ticket_no, pointer)
    else:
        assert instrument is not None
        ticket_no = _next_ticket(entry, instrument, reading.kind)
    return entry.add(
        Weighing(
            id=entry.new_id("weighing"),
            delivery_id=delivery_id,
            lot_id=lot_id,
            kind=reading.kind,
            mass_g=reading.mass_g,
            instrument_id=None if instrument is None else instrument.id,
            origin=reading.origin,
            entry=reading.entry,
            weighed_at=reading.weighed_at,
            ticket_series=series,
            ticket_no=ticket_no,
            frame=reading.frame,
            effective_at=reading.weighed_at,
        )
    )


def look_up_scale(findings: Findings, entry: Entry, code: str, pointer: str) -> Instrument | None:
    """The scale of this entry's site under a code; None, with a finding, if there is none."""
    found = find_by_code(entry.session, Instrument, code, entry.site_no)
    if found is None:
        findings.add(pointer, f"there is no scale {code!r} at this site", "Check the code, or register the scale.")
    return found


def _next_ticket(entry: Entry, instrument: Instrument, kind: WeighingKind) -> str:
    """The scale's next number. A number somebody typed in ahead of the series is passed over, so none is missing."""
    while True:
        ticket_no = f"{entry.next_number(f'scale {instrument.id}'):06d}"
        if not ticket_taken(entry.session, entry.site_no, WeighingOrigin.OWN, instrument.code, ticket_no, kind):
            return ticket_no


def refuse_beyond_range(instrument: Instrument, mass_g: int, pointer: str) -> None:
    """A value the instrument cannot have shown is a typing error.

    Raises
    ------
    Unacceptable : the mass lies above Max + 9 e.
    """
    if not over_range(mass_g, instrument.max_g, instrument.e_g):
        return
    remedy = "Check the mass and the scale; a value above Max + 9 e was not read from this instrument."
    limit_g = instrument.max_g + 9 * instrument.e_g
    raise Unacceptable(
        "beyond-scale-range",
        f"Scale {instrument.code} cannot show {kg_text(mass_g)} kg.",
        remedy,
        (
            Finding(
                f"{pointer}/mass_kg",
                f"{kg_text(mass_g)} kg lies above Max {kg_text(instrument.max_g)} kg + 9 e = {kg_text(limit_g)} kg",
                remedy,
            ),
        ),
    )


def _refuse_taken_ticket(entry: Entry, reading: Reading, series: str, ticket_no: str, pointer: str) -> None:
    taken = ticket_taken(entry.session, entry.site_no, reading.origin, series, ticket_no, reading.kind)
    if taken is None:
        return
    subject = f"delivery {taken.delivery_id}" if taken.delivery_id else f"lot {taken.lot_id}"
    remedy = "Check the number on the ticket; this weighing may have been recorded already."
    raise Conflict(
        "ticket-number-taken",
        f"Ticket {ticket_no} of series {series} was recorded before, for {subject}.",
        remedy,
        (Finding(f"{pointer}/ticket_no", f"{ticket_no!r} is weighing {taken.id} of {subject}", remedy),),
    )
