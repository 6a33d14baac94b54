"""Proof that what holds for a time holds alone: settings, residence data and stops do not overlap."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import text
from sqlmodel import Session

from service.journal.entry import canonical_value
from service.journal.faults import Report, shown
from service.journal.standing import current


@dataclass(frozen=True)
class Exclusive:
    """Half-open intervals of which at most one holds for a subject at any moment.

    Parameters
    ----------
    subject : the columns that say what an interval is of.
    only : SQL condition on the rows that count.
    """

    table: str
    subject: tuple[str, ...]
    begins: str
    ends: str
    only: str = "1 = 1"


EXCLUSIVE = (
    Exclusive("setting", ("key", "scope"), "valid_from", "valid_to"),
    Exclusive("residence", ("equipment_id",), "valid_from", "valid_to"),
    Exclusive("equipment_event", ("equipment_id",), "at", "end_at", "kind = 'stop'"),
)


def check_validity(session: Session, report: Report) -> None:
    """Report every interval that begins while another of the same subject lasts."""
    for exclusive in EXCLUSIVE:
        _check_one_at_a_time(session, report, exclusive)


def _check_one_at_a_time(session: Session, report: Report, of: Exclusive) -> None:
    order = ", ".join((*of.subject, "begins", "id"))
    query = (
        f"SELECT {', '.join(of.subject)}, id, {of.begins} AS begins, {of.ends} AS ends FROM {of.table} "
        f"WHERE {of.only} AND {current(of.table)} ORDER BY {order}"
    )
    before: Any = None
    for row in session.execute(text(query)):
        subject = [getattr(row, column) for column in of.subject]
        same = before is not None and [getattr(before, column) for column in of.subject] == subject
        if same and (before.ends is None or canonical_value(before.ends) > canonical_value(row.begins)):
            named = " ".join(
                f"{column}={value!r}" if column == "scope" else f"{column}={value}"
                for column, value in zip(of.subject, subject, strict=True)
            )
            verb = "is in force" if of.begins == "valid_from" else "lasts"
            recorded = f"from {shown(row.begins)}, while {of.table} {before.id} {verb}"
            report.add(of.table, f"id={row.id} {named}", recorded, "one at a time")
        before = row
