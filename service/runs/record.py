"""Verbs of a run: start it, feed it, discharge it, book losses, correct a line. Closing is in `balances`."""

from collections.abc import Sequence
from datetime import datetime

from service.core.quantities import kg_text
from service.errors import Conflict, Findings, NotFound, Unacceptable
from service.journal.entry import Entry
from service.journal.read import find_current, kind_of
from service.journal.tables import site_of
from service.lineage.gates import check_filling, check_gate, refuse_if_circular
from service.lineage.holds import refuse_if_held
from service.lots.lines import (
    Discharge,
    Feed,
    Loss,
    Moisture,
    Span,
    Tare,
    book_discharges,
    book_feeds,
    book_losses,
    check_discharges,
    check_feeds,
    check_span,
    withdraw_ties_with,
)
from service.lots.moisture import record_moisture
from service.lots.queries import get_lot, get_process
from service.lots.record import NewLot
from service.lots.statuses import Amount, Category, LotOrigin, MeasurementBasis
from service.lots.stock import settle_stock
from service.lots.tables import Line, Lot, Process
from service.plant.queries import find_by_code, get_by_code
from service.plant.statuses import Mixing, VesselKind
from service.plant.tables import ContainerType, Equipment, Instrument, Material, Site
from service.runs.queries import run_out
from service.runs.schemas import (
    RUN_STEPS,
    DischargeIn,
    DischargesIn,
    FeedsIn,
    LineCorrectionIn,
    LossesIn,
    RunIn,
    RunOut,
)


def record_run(entry: Entry, run: RunIn) -> RunOut:
    """Start a run, on a line if one is named.

    Raises
    ------
    Unacceptable : the site has no line of that code.
    """
    site = get_by_code(entry.session, Site, run.site)
    entry.open(site.site_no, "run_started", run.started_at)
    line = None if run.equipment is None else _line_in_request(entry, run.equipment)
    row = Process(
        id=entry.new_id("process"),
        step=run.step,
        equipment_id=None if line is None else line.id,
        started_at=run.started_at,
        mixing=Mixing.RUN_MIXED,
        note=run.note,
    )
    return run_out(entry.session, entry.add(row))


def _line_in_request(entry: Entry, code: str) -> Equipment:
    """The line a run names; a vessel is charged and drawn from by its own operations."""
    line = find_by_code(entry.session, Equipment, code, entry.site_no)
    findings = Findings()
    if line is None:
        findings.add("/equipment", f"this site has no line {code!r}", "Register it with the vessels, as a wash_line.")
    elif line.kind is not VesselKind.WASH_LINE:
        findings.add("/equipment", f"{code} is a {line.kind}", "Leave it out; charge and draw the vessel itself.")
    refuse(findings, "run-refused", "The run cannot be as given; nothing was recorded.")
    assert line is not None
    return line


def feed_run(entry: Entry, run_id: int, body: FeedsIn) -> RunOut:
    """Feed lots into a run.

    Raises
    ------
    Conflict : the run is closed and no reason for the late entry is given.
    OnHold : a hold reaches a lot.
    Unacceptable : a lot would give more than it holds, or be made from itself; all findings at once.
    """
    run = open_run(entry, run_id, "run_fed", body.feeds[0].start_at, body.late_reason)
    findings = Findings()
    feeds: list[Feed] = []
    for place, given in enumerate(body.feeds):
        pointer = f"/feeds/{place}"
        lot = lot_in_request(findings, entry, given.lot, f"{pointer}/lot")
        span = Span(given.start_at, given.end_at)
        check_span(findings, entry, run, span, pointer)
        if lot is not None:
            feeds.append(
                Feed(
                    lot=lot,
                    amount=given.amount,
                    span=span,
                    pointer=pointer,
                    mass_g=given.mass_kg,
                    moisture=moisture_given(given.moisture_fraction, given.moisture_basis, given.u_moisture_fraction),
                    instrument_id=scale_in_request(findings, entry, given.instrument, f"{pointer}/instrument"),
                    category=Category.INTERNAL_LOOP if given.internal_loop else Category.FEED,
                    stream=lot.kind.value,
                )
            )
    check_feeds(findings, entry, feeds)
    refuse(findings, "feeds-refused", "A feed cannot be as given; nothing was recorded.")
    check_gate(entry.session, run, feeds)
    book_feeds(entry, run, feeds)
    return run_out(entry.session, run)


def discharge_run(entry: Entry, run_id: int, body: DischargesIn) -> RunOut:
    """Take lots out of a run: new ones, or more into one that is being filled."""
    run = open_run(entry, run_id, "run_discharged", body.discharges[0].start_at, body.late_reason)
    findings = Findings()
    discharges: list[Discharge] = []
    for place, given in enumerate(body.discharges):
        pointer = f"/discharges/{place}"
        check_span(findings, entry, run, Span(given.start_at, given.end_at), pointer)
        discharges += discharges_of(findings, entry, given, pointer)
    check_discharges(findings, entry, run, discharges)
    refuse(findings, "discharges-refused", "A discharge cannot be as given; nothing was recorded.")
    check_filling(entry.session, run, discharges)
    book_discharges(entry, run, discharges)
    return run_out(entry.session, run)


def book_run_losses(entry: Entry, run_id: int, body: LossesIn) -> RunOut:
    """Book what left a run without becoming a lot."""
    run = open_run(entry, run_id, "run_losses_booked", body.losses[0].at, body.late_reason)
    findings = Findings()
    losses = []
    for place, given in enumerate(body.losses):
        span = Span(given.at)
        check_span(findings, entry, run, span, f"/losses/{place}")
        losses.append(
            Loss(
                span=span,
                category=given.category,
                stream=given.stream,
                mass_g=given.mass_kg,
                moisture=moisture_given(given.moisture_fraction, MeasurementBasis.MEASURED, given.u_moisture_fraction),
                instrument_id=scale_in_request(findings, entry, given.instrument, f"/losses/{place}/instrument"),
                fraction_ppm=given.fraction_of_dry_in,
            )
        )
    refuse(findings, "losses-refused", "A loss cannot be as given; nothing was recorded.")
    book_losses(entry, run, losses)
    return run_out(entry.session, run)


def correct_line(entry: Entry, line_id: int, body: LineCorrectionIn) -> RunOut:
    """Correct or withdraw a line: a new version of it, and of every balance that used it.

    Raises
    ------
    Unacceptable : the lot would then have given more than it holds.
    OnHold : the line is to go or to move, and a hold reaches its lot.
    """
    if kind_of(entry.session, line_id) != "line":
        raise NotFound("line-not-found", f"There is no line {line_id}.", "Take the number from the run.")
    entry.open(site_of(line_id), "line_withdrawn" if body.withdraw else "line_corrected")
    line = find_current(entry.session, Line, line_id)
    if line is None:
        raise Conflict("line-withdrawn", f"Line {line_id} was withdrawn before.", "Book a new line.")
    process = get_process(entry.session, line.process_id)
    moves = body.withdraw or body.start_at is not None or body.end_at is not None
    if moves and line.lot_id is not None:
        # Taking a held lot out of a run, or moving it in time, would lift the hold from all that was made since.
        refuse_if_held(entry.session, {line.lot_id: ""})
    if body.withdraw:
        entry.void(line, body.reason)
        withdraw_ties_with(entry, line, body.reason)
    else:
        _revise_line(entry, process, line, body)
    if line.lot_id is not None:
        settle_stock(entry, [line.lot_id], "/mass_kg" if body.mass_kg is not None else "")
    if not body.withdraw:
        refuse_if_circular(entry.session, process)
    return run_out(entry.session, process)


def _revise_line(entry: Entry, process: Process, line: Line, body: LineCorrectionIn) -> None:
    findings = Findings()
    span = Span(body.start_at or line.start_at, body.end_at or line.end_at)
    check_span(findings, entry, process, span, "")
    if body.mass_kg is not None and line.amount is Amount.FRACTION_OF_DRY_IN:
        findings.add("/mass_kg", "this line is an estimate from the dry input", "Withdraw it and book a weighed loss.")
    if body.mass_kg is not None and line.category is Category.TIES:
        remedy = "State the deduction for ties of the ticket anew; all opened bales follow."
        findings.add("/mass_kg", "ties weigh what the ticket's list says of them", remedy)
    if body.moisture_fraction is not None and line.moisture_id is None:
        findings.add("/moisture_fraction", "this line is an estimate and has no moisture", "Leave it out.")
    refuse(findings, "correction-refused", "The line cannot be corrected like this; nothing was recorded.")
    changes: dict[str, object] = {"start_at": span.start_at, "end_at": span.end_at}
    if body.mass_kg is not None:
        changes |= {"amount": Amount.MASS, "mass_g": body.mass_kg, "gross_g": None}
    if body.moisture_fraction is not None:
        # A moisture of its own from now on: the lot's other lines keep the measurement they rest on.
        changes["moisture_id"] = record_moisture(
            entry,
            line.id,
            fraction_ppm=body.moisture_fraction,
            basis=MeasurementBasis.MEASURED,
            taken_at=span.start_at,
            reason=body.reason,
        ).id
    entry.revise(line, body.reason, **changes)


def open_run(entry: Entry, run_id: int, event: str, effective_at: datetime, late_reason: str | None) -> Process:
    """Take the log's lock and the run; a closed run takes late entries only with a reason."""
    if kind_of(entry.session, run_id) != "process":
        raise NotFound("run-not-found", f"There is no run {run_id}.", "List the runs first.")
    entry.open(site_of(run_id), event, effective_at)
    run = get_process(entry.session, run_id)
    if run.step not in RUN_STEPS:
        raise NotFound("run-not-found", f"{run_id} is no run but a {run.step}.", "Use the vessel's own paths.")
    if run.is_closed:
        if late_reason is None:
            raise Conflict(
                "run-closed",
                f"Run {run_id} is closed.",
                "If this really belongs to it, send it again with late_reason; its balance gets a new version.",
            )
        entry.reason_id = entry.text(late_reason)
        entry.kind = f"late_{event}"
    return run


def lot_in_request(findings: Findings, entry: Entry, code: str, pointer: str) -> Lot | None:
    """The lot named in a request, or a finding."""
    try:
        lot = get_lot(entry.session, code)
    except NotFound as fault:
        findings.add(pointer, fault.detail, fault.remedy)
        return None
    if site_of(lot.id) != entry.site_no:
        findings.add(pointer, f"lot {lot.code} belongs to another site", "Ship it there and receive it here.")
        return None
    return lot


def discharges_of(findings: Findings, entry: Entry, given: DischargeIn, pointer: str) -> Sequence[Discharge]:
    """The lots a discharge of the request stands for, one per piece."""
    material = find_by_code(entry.session, Material, given.material)
    if material is None:
        findings.add(f"{pointer}/material", f"there is no material {given.material!r}", "Register it first.")
    into = None
    if given.into_lot is not None:
        into = lot_in_request(findings, entry, given.into_lot, f"{pointer}/into_lot")
    tares, tare_g = tares_of(findings, entry, given, pointer)
    net_g = given.mass_kg if given.mass_kg is not None else (given.gross_kg or 0) - tare_g
    if net_g <= 0:
        findings.add(
            f"{pointer}/gross_kg",
            f"packaging of {kg_text(tare_g)} kg leaves {kg_text(net_g)} kg net",
            "Check the gross mass and the number of packaging pieces.",
        )
    if material is None or (given.into_lot is not None and into is None):
        return ()
    new = NewLot(
        kind=given.kind,
        origin=LotOrigin.PROCESS,
        material_id=material.id,
        born_at=given.start_at,
        note=given.note,
    )
    one = Discharge(
        new=None if into is not None else new,
        into=into,
        mass_g=net_g,
        span=Span(given.start_at, given.end_at),
        category=given.category,
        stream=given.stream,
        pointer=pointer,
        moisture=moisture_given(given.moisture_fraction, given.moisture_basis, given.u_moisture_fraction),
        instrument_id=scale_in_request(findings, entry, given.instrument, f"{pointer}/instrument"),
        gross_g=given.gross_kg,
        tares=tares,
    )
    return (one,) * given.pieces


def tares_of(findings: Findings, entry: Entry, given: DischargeIn, pointer: str) -> tuple[tuple[Tare, ...], int]:
    """Packaging of a container line and its mass in grams."""
    tares: list[Tare] = []
    total_g = 0
    for place, tare in enumerate(given.tares):
        container = find_by_code(entry.session, ContainerType, tare.container_type)
        if container is None:
            where = f"{pointer}/tares/{place}/container_type"
            findings.add(where, f"there is no container type {tare.container_type!r}", "Register it first.")
            continue
        tares.append(Tare(container.id, tare.pieces))
        total_g += container.tare_g * tare.pieces
    return tuple(tares), total_g


def moisture_given(ppm: int | None, basis: MeasurementBasis, u_ppm: int | None = None) -> Moisture | None:
    return None if ppm is None else Moisture(ppm, basis, u_ppm)


def scale_in_request(findings: Findings, entry: Entry, code: str | None, pointer: str) -> int | None:
    """The scale of this entry's site that a mass was read from; None where none is named."""
    if code is None:
        return None
    scale = find_by_code(entry.session, Instrument, code, entry.site_no)
    if scale is None:
        findings.add(pointer, f"there is no scale {code!r} at this site", "Check the code, or register the scale.")
    return None if scale is None else scale.id


def refuse(findings: Findings, code: str, detail: str) -> None:
    findings.refuse_if_any(Unacceptable, code=code, detail=detail)
