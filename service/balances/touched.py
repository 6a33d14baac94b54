"""Which closed runs an entry's rows reach: their balances rest on something that was changed.

Each question is asked only of an entry that holds such rows, so that an ordinary feed or discharge asks none of them.
"""

from typing import Any

from sqlalchemy import Select, select
from sqlmodel import Session, col

from service.journal.entry import Entry
from service.journal.one_of import one_of
from service.journal.read import current
from service.lots.tables import Line, Lot, LotFact, LotMass, Measurement
from service.plant.in_force import in_effect_since
from service.plant.tables import Instrument
from service.weighbridge.tables import Deduction, Delivery, Weighing, WeighingChoice


def runs_touched(entry: Entry) -> set[int]:
    """Processes whose lines, masses, moistures, or the readings behind them, an entry changed."""
    session = entry.session
    measurements = {row.id for row in entry.rows if isinstance(row, Measurement) and row.version > 1}
    lots = {row.id for row in entry.rows if isinstance(row, LotMass) and row.version > 1}
    # What a line of `whole` or `rest` takes follows from everything else that was booked of its lot.
    lots |= {row.lot_id for row in entry.rows if isinstance(row, Line) and row.lot_id is not None}
    touched = {row.process_id for row in entry.rows if isinstance(row, Line)}
    deliveries = {
        row.delivery_id
        for row in entry.rows
        if isinstance(row, Weighing | WeighingChoice | Deduction) and row.delivery_id is not None
    }
    # When a truck came decides which settings hold for its bales, and what a lot is made of which for its moisture.
    deliveries |= {row.id for row in entry.rows if isinstance(row, Delivery) and row.version > 1}
    renamed = {row.id for row in entry.rows if isinstance(row, LotFact) and row.version > 1}
    # A bale of a truck that is weighed alone changes how well the others are known.
    weighed = {row.lot_id for row in entry.rows if isinstance(row, Weighing) and row.lot_id is not None}
    for scale in (row for row in entry.rows if isinstance(row, Instrument) and row.version > 1):
        used_in, of_lots, brought, alone = _uses_of(session, scale)
        touched |= used_in
        lots |= of_lots
        deliveries |= brought
        weighed |= alone
    if weighed:
        deliveries |= _ids(session, select(col(Lot.delivery_id)).where(one_of(col(Lot.id), "wanted")), weighed)
    if deliveries:
        lots |= _ids(session, select(col(Lot.id)).where(one_of(col(Lot.delivery_id), "wanted")), deliveries)
    if measurements:
        touched |= _ids(session, _processes(current(Line).where(one_of(col(Line.moisture_id), "wanted"))), measurements)
    if renamed:
        touched |= _ids(session, _processes(current(Line).where(one_of(col(Line.lot_id), "wanted"))), renamed)
    if lots:
        open_amounts = current(Line).where(one_of(col(Line.lot_id), "wanted"), col(Line.mass_g).is_(None))
        touched |= _ids(session, _processes(open_amounts), lots)
    return touched


def _uses_of(session: Session, scale: Instrument) -> tuple[set[int], set[int], set[int], set[int]]:
    """Where a scale was used since a certificate of it holds: runs, lots, deliveries, single lots weighed.

    What is left of a lot rests on every scale it was made on or weighed from.
    Before the first certificate the first one is all there is, so the first one reaches back to the beginning.
    """
    since = in_effect_since(scale)
    versions = session.execute(select(Instrument).where(col(Instrument.id) == scale.id)).scalars()
    is_first = all(in_effect_since(version) >= since for version in versions)
    lines = current(Line).where(col(Line.instrument_id) == scale.id)
    weighings = current(Weighing).where(col(Weighing.instrument_id) == scale.id)
    if not is_first:
        lines = lines.where(col(Line.start_at) >= since)
        weighings = weighings.where(col(Weighing.weighed_at) >= since)
    columns = (col(Line.process_id), col(Line.lot_id))
    used = session.execute(lines.with_only_columns(*columns)).all()
    read = session.execute(weighings.with_only_columns(col(Weighing.delivery_id), col(Weighing.lot_id))).all()
    return (
        {process_id for process_id, _ in used},
        {lot_id for _, lot_id in used if lot_id is not None},
        {delivery_id for delivery_id, _ in read if delivery_id is not None},
        {lot_id for _, lot_id in read if lot_id is not None},
    )


def _processes(lines: Select[Line]) -> Select[Any]:
    return lines.with_only_columns(col(Line.process_id))


def _ids(session: Session, query: Select[Any], wanted: set[int]) -> set[int]:
    return {found for found in session.execute(query, {"wanted": sorted(wanted)}).scalars() if found is not None}
