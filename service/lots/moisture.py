"""Moisture: which measurement a line rests on, and how a late result reaches every balance that used it.

A line names a measurement, not a value. The measurement of a lot or a delivery has versions: the plant's
default at first, then the provisional value, then the final one.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlmodel import Session, col

from service.core.quantities import fraction_text, parse_fraction
from service.errors import Unacceptable
from service.journal.entry import Entry
from service.journal.read import Knowledge, current, current_by_id
from service.journal.values import current_values
from service.lots.queries import chunks, materials_of
from service.lots.statuses import MeasurementBasis, Quantity
from service.lots.tables import Lot, Measurement
from service.plant.queries import find_setting
from service.plant.statuses import SettingKey


def find_moisture(session: Session, subject_id: int, known: Knowledge | None = None) -> Measurement | None:
    """The current moisture of a lot, a delivery or a line."""
    return session.execute(
        current(Measurement, known).where(
            col(Measurement.subject_id) == subject_id, col(Measurement.quantity) == Quantity.MOISTURE
        )
    ).scalar_one_or_none()


def moistures(
    session: Session, measurement_ids: Iterable[int], known: Knowledge | None = None
) -> dict[int, Measurement]:
    """Current versions of several measurements."""
    return current_by_id(session, Measurement, measurement_ids, known)


def moistures_ppm(session: Session, measurement_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, int]:
    """Current values of several measurements of moisture, in ppm of the wet mass."""
    rows = current_values(session, Measurement, ("id", "value"), "id", set(measurement_ids), known)
    return {measurement_id: _ppm(value) for measurement_id, value in rows}


# A plant writes the same few values again and again.
_ppm = lru_cache(maxsize=1024)(parse_fraction)


def ppm_of(measurement: Measurement) -> int:
    return parse_fraction(measurement.value)


def record_moisture(
    entry: Entry,
    subject_id: int,
    *,
    fraction_ppm: int,
    basis: MeasurementBasis,
    taken_at: datetime,
    u_ppm: int | None = None,
    reported_at: datetime | None = None,
    method: str | None = None,
    reason: str | None = None,
) -> Measurement:
    """Record a moisture of a lot, a delivery or a line; a later value is the next version of the same one.

    Parameters
    ----------
    fraction_ppm : of the wet mass, ppm; `u_ppm` its standard uncertainty if one was stated.
    taken_at : when the sample was taken; `reported_at` when the result came.
    """
    values: dict[str, Any] = {
        "value": fraction_text(fraction_ppm),
        "u_value": None if u_ppm is None else fraction_text(u_ppm),
        "basis": basis,
        "setting_id": None,
        "method": method,
        "taken_at": taken_at,
        "reported_at": reported_at,
    }
    earlier = find_moisture(entry.session, subject_id)
    if earlier is not None:
        revised: Measurement = entry.revise(earlier, reason or "a later value", **values)
        return revised
    return entry.add(
        Measurement(
            id=entry.new_id("measurement"),
            subject_id=subject_id,
            quantity=Quantity.MOISTURE,
            reason_id=None if reason is None else entry.text(reason),
            **values,
        )
    )


def moisture_for_lots(entry: Entry, lots: Sequence[Lot], at: datetime) -> dict[int, int]:
    """The measurement each lot's moisture rests on: its own, else its delivery's, else the plant's default.

    Returns
    -------
    measurement id by lot id. A default is recorded as a measurement of the lot (once), naming the setting.

    Raises
    ------
    Unacceptable : no value is known and the plant has no default for the material.
    """
    subjects = {lot.id for lot in lots} | {lot.delivery_id for lot in lots if lot.delivery_id is not None}
    known: dict[int, int] = {}
    for portion in chunks(subjects):
        rows = entry.session.execute(
            current(Measurement).where(
                col(Measurement.subject_id).in_(portion), col(Measurement.quantity) == Quantity.MOISTURE
            )
        ).scalars()
        known |= {row.subject_id: row.id for row in rows}
    chosen: dict[int, int] = {}
    for lot in lots:
        found = known.get(lot.id) or known.get(lot.delivery_id or 0)
        chosen[lot.id] = found if found is not None else _record_default(entry, lot, at)
        known.setdefault(lot.delivery_id or lot.id, chosen[lot.id])
    return chosen


def _record_default(entry: Entry, lot: Lot, at: datetime) -> int:
    """Record the plant's default moisture for a delivery's material, or for a lot that has no delivery."""
    material = materials_of(entry.session, [lot.id])[lot.id]
    scopes = (material.code, material.form.value, "")
    setting = find_setting(entry.session, SettingKey.DEFAULT_MOISTURE, scopes, at)
    if setting is None:
        raise Unacceptable(
            "moisture-unknown",
            f"No moisture is known for lot {lot.code}, and the plant has no default for {material.code}.",
            "Give moisture_fraction, or set default_moisture_fraction for the material.",
        )
    row = Measurement(
        id=entry.new_id("measurement"),
        subject_id=lot.delivery_id or lot.id,
        quantity=Quantity.MOISTURE,
        value=setting.value,
        basis=MeasurementBasis.DEFAULT,
        setting_id=setting.id,
    )
    return entry.add(row).id
