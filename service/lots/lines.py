"""Writing lines: what runs, vessels, packing and the gate have in common when they move mass.

Each booking collects its own findings under the JSON pointer it was given, and nothing is stored before
all of a request's bookings were looked at.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.errors import Findings
from service.journal.entry import Entry
from service.lots.moisture import moisture_for_lots, record_moisture
from service.lots.queries import lines_of_lots, origin_masses, takes
from service.lots.record import NewLot, register_lots
from service.lots.statuses import Amount, Category, Direction, MeasurementBasis
from service.lots.stock import settle_stock
from service.lots.tables import Line, LineTare, Lot, Process
from service.lots.ties import dry_measurement, ties_line

CLOCK_SKEW = timedelta(minutes=10)  # clocks of scales, phones and servers differ by minutes


@dataclass(frozen=True)
class Span:
    """When mass moved: an instant (`end_at` None) or a half-open interval."""

    start_at: datetime
    end_at: datetime | None = None


@dataclass(frozen=True)
class Moisture:
    """A moisture stated with a line, in ppm of wet mass, with its standard uncertainty if that was stated."""

    ppm: int
    basis: MeasurementBasis = MeasurementBasis.MEASURED
    u_ppm: int | None = None


@dataclass(frozen=True)
class Feed:
    """Mass of a lot going into a process."""

    lot: Lot
    amount: Amount
    span: Span
    pointer: str
    mass_g: int | None = None
    moisture: Moisture | None = None
    category: Category = Category.FEED
    stream: str = "feed"
    instrument_id: int | None = None


@dataclass(frozen=True)
class Tare:
    container_type_id: int
    pieces: int


@dataclass(frozen=True)
class Discharge:
    """Mass coming out of a process as a new lot, or into one that is being filled."""

    new: NewLot | None
    into: Lot | None
    mass_g: int
    span: Span
    category: Category
    stream: str
    pointer: str
    moisture: Moisture | None = None
    gross_g: int | None = None
    tares: tuple[Tare, ...] = ()
    instrument_id: int | None = None


@dataclass(frozen=True)
class Loss:
    """Mass leaving a process without becoming a lot: weighed, or estimated as a fraction of dry input."""

    span: Span
    category: Category
    stream: str
    mass_g: int | None = None
    moisture: Moisture | None = None
    fraction_ppm: int | None = None
    instrument_id: int | None = None


def check_span(findings: Findings, entry: Entry, process: Process, span: Span, pointer: str) -> None:
    """A line lies inside its process and not in the future."""
    last = span.end_at or span.start_at
    if span.end_at is not None and span.end_at <= span.start_at:
        findings.add(
            f"{pointer}/end_at",
            f"ends at {span.end_at.isoformat()}, not after it starts",
            "Leave end_at out for an instant, or give the later time.",
        )
    if span.start_at < process.started_at or (process.ended_at is not None and last > process.ended_at):
        ends = process.ended_at.isoformat() if process.ended_at else "open"
        findings.add(
            f"{pointer}/start_at",
            f"lies outside the process, which runs from {process.started_at.isoformat()} to {ends}",
            "Give the time it really happened, or correct the times of the process.",
        )
    if last > entry.now + CLOCK_SKEW:
        findings.add(
            f"{pointer}/start_at",
            f"{last.isoformat()} lies in the future",
            "Record what has happened; give the time with its offset.",
        )


def check_feeds(findings: Findings, entry: Entry, feeds: Sequence[Feed]) -> None:
    """What can be said about feeds before any is stored."""
    lines = lines_of_lots(entry.session, [feed.lot.id for feed in feeds])
    for feed in feeds:
        others = [line for line in lines.get(feed.lot.id, []) if takes(line)]
        also_here = [other for other in feeds if other.lot.id == feed.lot.id and other is not feed]
        stated_open = [line for line in others if line.amount is not Amount.MASS]
        if (feed.amount is Amount.MASS) != (feed.mass_g is not None):
            findings.add(
                f"{feed.pointer}/mass_kg",
                "mass_kg belongs to amount 'mass', and to no other",
                "Give mass_kg with amount 'mass'; give none with 'whole' and 'rest'.",
            )
        if feed.amount is Amount.WHOLE and (others or also_here):
            findings.add(
                f"{feed.pointer}/amount",
                f"lot {feed.lot.code} was fed in part before, so it cannot be fed whole",
                "Feed 'rest'.",
            )
        if stated_open:
            findings.add(
                f"{feed.pointer}/lot",
                f"all that was left of lot {feed.lot.code} went into process {stated_open[0].process_id}",
                "Feed another lot, or correct that line first.",
            )


def book_feeds(entry: Entry, process: Process, feeds: Sequence[Feed]) -> list[Line]:
    """Store feed lines, and a line of its own for the ties of a bale that is opened.

    Raises
    ------
    Unacceptable : a lot would give more than it holds.
    """
    moisture_of = moisture_for_lots(entry, [f.lot for f in feeds if f.moisture is None], feeds[0].span.start_at)
    lines: list[Line] = []
    for feed, identity in zip(feeds, entry.new_ids("line", len(feeds)), strict=True):
        if feed.moisture is None:
            moisture_id = moisture_of[feed.lot.id]
        else:
            moisture_id = _moisture_of_line(entry, identity, feed.moisture, feed.span.start_at)
        lines.append(
            Line(
                id=identity,
                process_id=process.id,
                lot_id=feed.lot.id,
                direction=Direction.IN,
                category=feed.category,
                stream=feed.stream,
                amount=feed.amount,
                mass_g=feed.mass_g,
                moisture_id=moisture_id,
                start_at=feed.span.start_at,
                end_at=feed.span.end_at,
                instrument_id=feed.instrument_id,
                effective_at=feed.span.start_at,
            )
        )
    before = lines_of_lots(entry.session, [feed.lot.id for feed in feeds])
    entry.add_all(lines)
    _book_ties(entry, process, feeds, before)
    settle_stock(entry, [f.lot.id for f in feeds], {f.lot.id: f"{f.pointer}/mass_kg" for f in feeds})
    return lines


def _book_ties(entry: Entry, process: Process, feeds: Sequence[Feed], before: dict[int, list[Line]]) -> None:
    """A bale's wire or strap comes off when it is first opened: dry, and no part of what products are made of."""
    masses = origin_masses(entry.session, [feed.lot.id for feed in feeds])
    opened: dict[int, Feed] = {}
    for feed in feeds:
        mass = masses.get(feed.lot.id)
        was_open = any(line.category is Category.TIES for line in before.get(feed.lot.id, []))
        if mass is not None and mass.tie_g > 0 and not was_open:
            opened.setdefault(feed.lot.id, feed)
    if not opened:
        return
    dry_id = dry_measurement(entry, process)
    entry.add_all(
        [
            ties_line(identity, process, lot_id, masses[lot_id].tie_g, dry_id, feed.span.start_at, feed.span.end_at)
            for (lot_id, feed), identity in zip(opened.items(), entry.new_ids("line", len(opened)), strict=True)
        ]
    )


def withdraw_ties_with(entry: Entry, feed: Line, reason: str) -> None:
    """A feed that never was opened no bale: its ties go with it, unless another feed opened the bale there."""
    if feed.lot_id is None or not takes(feed):
        return
    left = lines_of_lots(entry.session, [feed.lot_id]).get(feed.lot_id, [])
    if any(takes(line) and line.process_id == feed.process_id for line in left):
        return
    for line in left:
        if line.category is Category.TIES and line.process_id == feed.process_id:
            entry.void(line, reason)


def check_discharges(findings: Findings, entry: Entry, process: Process, discharges: Sequence[Discharge]) -> None:
    """A lot that was drawn from is sealed: another process may not fill it up any more."""
    filled = [discharge for discharge in discharges if discharge.into is not None]
    lines = lines_of_lots(entry.session, [d.into.id for d in filled if d.into is not None])
    for discharge in filled:
        assert discharge.into is not None
        of_lot = lines.get(discharge.into.id, [])
        if not any(line.direction is Direction.OUT for line in of_lot):
            findings.add(
                f"{discharge.pointer}/into_lot",
                f"lot {discharge.into.code} was not made in a process, so nothing can be added to it",
                "Leave into_lot out to make a new lot.",
            )
        elif any(takes(line) for line in of_lot) and not any(
            line.direction is Direction.OUT and line.process_id == process.id for line in of_lot
        ):
            findings.add(
                f"{discharge.pointer}/into_lot",
                f"lot {discharge.into.code} has been drawn from, so what is in it is settled",
                "Leave into_lot out to make a new lot.",
            )


def book_discharges(entry: Entry, process: Process, discharges: Sequence[Discharge]) -> list[Lot]:
    """Store what came out; gives the lot of each discharge, in order."""
    made = iter(register_lots(entry, [d.new for d in discharges if d.new is not None]))
    lots = [discharge.into or next(made) for discharge in discharges]
    lines: list[Line] = []
    tares: list[LineTare] = []
    unstated = [lot for lot, d in zip(lots, discharges, strict=True) if d.moisture is None]
    moisture_of = moisture_for_lots(entry, unstated, discharges[0].span.start_at)
    ids = entry.new_ids("line", len(discharges))
    for discharge, lot, identity in zip(discharges, lots, ids, strict=True):
        if discharge.moisture is None:
            moisture_id = moisture_of[lot.id]
        else:
            # The moisture of a new lot belongs to the lot, so that what is fed from it rests on the same
            # result; a top-up has its own.
            subject = identity if discharge.into is not None else lot.id
            moisture_id = _moisture_of_line(entry, subject, discharge.moisture, discharge.span.start_at)
        lines.append(
            Line(
                id=identity,
                process_id=process.id,
                lot_id=lot.id,
                direction=Direction.OUT,
                category=discharge.category,
                stream=discharge.stream,
                amount=Amount.MASS,
                mass_g=discharge.mass_g,
                moisture_id=moisture_id,
                start_at=discharge.span.start_at,
                end_at=discharge.span.end_at,
                gross_g=discharge.gross_g,
                instrument_id=discharge.instrument_id,
                effective_at=discharge.span.start_at,
            )
        )
        tares += [
            LineTare(line_id=identity, line_version=1, container_type_id=tare.container_type_id, pieces=tare.pieces)
            for tare in discharge.tares
        ]
    entry.add_all(lines)
    entry.add_all(tares)
    settle_stock(entry, {lot.id for lot in lots})
    return lots


def book_losses(entry: Entry, process: Process, losses: Sequence[Loss]) -> list[Line]:
    """Store what left without becoming a lot."""
    lines = []
    for loss, identity in zip(losses, entry.new_ids("line", len(losses)), strict=True):
        moisture_id = None
        if loss.fraction_ppm is None:
            moisture_id = _moisture_of_line(entry, identity, loss.moisture or Moisture(0), loss.span.start_at)
        lines.append(
            Line(
                id=identity,
                process_id=process.id,
                direction=Direction.OUT,
                category=loss.category,
                stream=loss.stream,
                amount=Amount.MASS if loss.fraction_ppm is None else Amount.FRACTION_OF_DRY_IN,
                mass_g=loss.mass_g,
                fraction_ppm=loss.fraction_ppm,
                moisture_id=moisture_id,
                start_at=loss.span.start_at,
                end_at=loss.span.end_at,
                instrument_id=loss.instrument_id,
                effective_at=loss.span.start_at,
            )
        )
    entry.add_all(lines)
    return lines


def _moisture_of_line(entry: Entry, subject_id: int, moisture: Moisture, at: datetime) -> int:
    return record_moisture(
        entry, subject_id, fraction_ppm=moisture.ppm, u_ppm=moisture.u_ppm, basis=moisture.basis, taken_at=at
    ).id
