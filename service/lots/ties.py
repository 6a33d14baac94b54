"""Wire and strap of bales: they come off when one is opened, are dry, and no part of what products are made of."""

from collections.abc import Mapping
from datetime import datetime

from service.journal.entry import Entry
from service.lots.moisture import find_moisture, record_moisture
from service.lots.queries import get_process, lines_of_lots, takes
from service.lots.statuses import Amount, Category, Direction, MeasurementBasis
from service.lots.tables import Line, Process


def dry_measurement(entry: Entry, process: Process) -> int:
    """The one measurement that all ties of a process name: they are dry."""
    found = find_moisture(entry.session, process.id)
    if found is None:
        basis, at = MeasurementBasis.MEASURED, process.started_at
        found = record_moisture(entry, process.id, fraction_ppm=0, basis=basis, taken_at=at)
    return found.id


def ties_line(
    identity: int, process: Process, lot_id: int, tie_g: int, dry_id: int, start_at: datetime, end_at: datetime | None
) -> Line:
    """The line of a bale's ties: they come off where and when the bale is first opened."""
    return Line(
        id=identity,
        process_id=process.id,
        lot_id=lot_id,
        direction=Direction.IN,
        category=Category.TIES,
        stream="ties",
        amount=Amount.MASS,
        mass_g=tie_g,
        moisture_id=dry_id,
        start_at=start_at,
        end_at=end_at,
        effective_at=start_at,
    )


def restate_ties(entry: Entry, tie_g_of: Mapping[int, int], reason: str) -> None:
    """Bales that were opened already came with other ties than was thought: their lines follow.

    Parameters
    ----------
    tie_g_of : grams of wire or strap around each lot, by lot; 0 where there is none.
    """
    lines = lines_of_lots(entry.session, tie_g_of)
    for lot_id, tie_g in tie_g_of.items():
        of_lot = lines.get(lot_id, [])
        booked = [line for line in of_lot if line.category is Category.TIES]
        for line in booked:
            if tie_g:
                entry.revise(line, reason, mass_g=tie_g)
            else:
                entry.void(line, reason)
        opened_by = min(filter(takes, of_lot), key=lambda line: (line.start_at, line.id), default=None)
        if tie_g and not booked and opened_by is not None:
            process = get_process(entry.session, opened_by.process_id)
            dry_id = dry_measurement(entry, process)
            span = opened_by.start_at, opened_by.end_at
            entry.add(ties_line(entry.new_id("line"), process, lot_id, tie_g, dry_id, *span))
