"""Proof of remarks beyond their hashes, and of what the journal does not hash: the photos.

As in `service.verify`, nothing of the code that stores them runs here. Of an erased photo nothing is left that
its size could be compared with.
"""

import hashlib

from sqlalchemy import Table, select, text
from sqlmodel import Session, SQLModel

from service.journal.faults import Report
from service.journal.verify import as_stored, stored_values, table_of
from service.weighbridge.tables import Attachment

PHOTOS_AT_A_TIME = 16
"""Photos are some hundred kilobytes each, so a few at a time."""
FIRST_BYTES = {"image/jpeg": b"\xff\xd8\xff"}
"""What a file of this kind begins with: start of image and the first byte of a marker (ITU-T T.81, annex B)."""

STRAYS = (
    "SELECT remark.id, remark.version, remark.delivery_id, lot.delivery_id AS came_with FROM remark "
    "JOIN lot ON lot.id = remark.lot_id "
    "WHERE lot.delivery_id IS NULL OR lot.delivery_id <> remark.delivery_id ORDER BY remark.id, remark.version"
)


def check_remarks(session: Session, report: Report) -> None:
    """A remark on a lot is one on the delivery that the lot came with."""
    for remark in session.execute(text(STRAYS)):
        key = f"id={remark.id} version={remark.version}"
        report.compare("remark", key, "delivery_id", remark.delivery_id, remark.came_with)


def check_attachments(session: Session, report: Report) -> None:
    """Bytes that are there have the digest they are stored under; every photo is named, and every named one is there.

    Facts that name a photo are found by their reference to `attachment`, so a fact table that comes later is
    covered without a word here.
    """
    table = table_of(Attachment)
    named_at = _named_at(session, table)
    query = select(*map(as_stored, table.columns)).order_by(table.c.sha256)
    for raw in session.execute(query, execution_options={"yield_per": PHOTOS_AT_A_TIME}):
        values = stored_values(list(table.columns), raw)
        key = f"sha256={values['sha256']}"
        content, media_type = values["content"], values["media_type"]
        report.photos += 1
        times = named_at.pop(values["sha256"], None)
        if times is None:
            report.add(table.name, key, "a photo", "no fact that names it")
        elif values["stored_at"] not in times:
            report.add(table.name, key, values["stored_at"], "when a fact that names it was recorded", "stored_at")
        begins = FIRST_BYTES.get(media_type)
        if content is None:
            report.erased_photos += 1
            if begins is None:
                report.add(table.name, key, media_type, f"one of {sorted(FIRST_BYTES)}", "media_type")
            continue
        content = bytes(content)
        if hashlib.sha256(content).hexdigest() != values["sha256"]:
            report.add(table.name, key, values["sha256"], hashlib.sha256(content).hexdigest(), "content")
        report.compare(table.name, key, "size_bytes", values["size_bytes"], len(content))
        if begins is None or not content.startswith(begins):
            report.add(table.name, key, media_type, f"bytes that begin with {content[:3].hex()}", "media_type")
    for sha256 in sorted(named_at):
        report.add(table.name, f"sha256={sha256}", "a photo that a fact names", "no row, not even erased")


def _named_at(session: Session, attachments: Table) -> dict[str, set[object]]:
    """The times at which facts that name a photo were recorded, as stored, by its digest."""
    found: dict[str, set[object]] = {}
    for table in SQLModel.metadata.sorted_tables:
        for column in table.columns:
            if any(key.column.table is attachments for key in column.foreign_keys):
                query = f"SELECT {column.key}, recorded_at FROM {table.name} WHERE {column.key} IS NOT NULL"
                for sha256, recorded_at in session.execute(text(query)):
                    found.setdefault(sha256, set()).add(recorded_at)
    return found
