"""Clean-outs of vessels. What goes in and out are `lots.Line`s of the vessel's current period."""

from datetime import datetime

from sqlalchemy import BigInteger
from sqlmodel import Field

from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks
from service.vessels.statuses import VesselEventKind


class EquipmentEvent(VersionedFact, table=True):
    """Something that happened to a vessel; `proven_empty` ends one period of its lineage and begins the next."""

    __tablename__ = "equipment_event"
    __table_args__ = version_checks()

    equipment_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    kind: VesselEventKind = Field(sa_type=enum_column(VesselEventKind))
    at: datetime = Field(sa_type=UtcDateTime)
    note: str = Field(max_length=400)
