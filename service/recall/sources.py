"""What a recall is about: the subject behind what was asked, its name for people, and its lots."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple, assert_never

from pydantic import ValidationError
from sqlmodel import Session, col

from service.errors import Findings, Unacceptable
from service.journal.read import Knowledge, current, get_current
from service.lineage.parties import partner_names
from service.lineage.subjects import Subject, lots_of_subject
from service.lots.queries import get_lot, lots_by_id
from service.lots.statuses import HoldSubject
from service.partners.queries import get_partner
from service.partners.tables import Partner
from service.plant.queries import get_by_code
from service.plant.tables import Equipment
from service.recall.schemas import SourceIn
from service.vessels.queries import get_vessel
from service.vessels.windows import suspect_lots
from service.weighbridge.tables import Delivery


@dataclass(frozen=True)
class Asked:
    """What somebody asks about.

    Parameters
    ----------
    from_at, to_at : of a vessel.
    is_excursion : everything that was inside a vessel in that time, whenever it came out.
    """

    kind: HoldSubject
    id: int
    from_at: datetime | None = None
    to_at: datetime | None = None
    is_excursion: bool = False


class Named(NamedTuple):
    """A source for people: the code or number on its label or ticket, and what it is in words."""

    code: str
    words: str


@dataclass(frozen=True)
class Source:
    """What is asked about, found in the records.

    Parameters
    ----------
    subject : what a hold has to lie on; of a vessel, in the time in which it gave it out.
    lots : the lots it is, by identity.
    """

    asked: Asked
    named: Named
    subject: Subject
    lots: tuple[int, ...]


def source_named(session: Session, given: Mapping[str, Any]) -> SourceIn:
    """A source as somebody at a terminal or a form names it: a vessel by its code, and the first fault in words.

    Raises
    ------
    NotFound : there is no such vessel.
    Unacceptable : not exactly one source, or a time that does not fit it.
    """
    stated = {name: value for name, value in given.items() if value not in (None, "")}
    if (code := stated.pop("vessel", None)) is not None:
        stated["vessel_id"] = _vessel_by_code(session, code)
    try:
        return SourceIn.model_validate({name: _as_sent(value) for name, value in stated.items()})
    except ValidationError as error:
        findings = Findings()
        for fault in error.errors():
            where = "/".join(str(part) for part in fault["loc"])
            below = str(fault.get("ctx", {}).get("below", ""))
            findings.add(f"/{where}{below}" if where else below, str(fault["msg"]), "Name one source as it asks for.")
        raise Unacceptable(
            "source-refused",
            "What is to be recalled is not named as it must be.",
            findings.faults[0].remedy,
            tuple(findings.faults),
        ) from error


def _vessel_by_code(session: Session, code: str) -> int:
    """The vessel of a code; each plant has its own codes, and a guess could recall the wrong one."""
    vessels = session.execute(current(Equipment).where(col(Equipment.code) == code)).scalars().all()
    if len(vessels) > 1:
        numbers = " and ".join(str(vessel.id) for vessel in vessels)
        raise Unacceptable(
            "vessel-code-of-several", f"{len(vessels)} plants have a vessel {code!r}.", f"Name its number: {numbers}."
        )
    return get_by_code(session, Equipment, code).id


def _as_sent(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else value


def asked_in(session: Session, source: SourceIn, known: Knowledge | None = None) -> Asked:
    """The thing a request names.

    Raises
    ------
    NotFound : there is no such lot, delivery, supplier or vessel, or it was not known then.
    """
    if source.lot is not None:
        return Asked(HoldSubject.LOT, get_lot(session, source.lot, known).id)
    if source.delivery_id is not None:
        return Asked(HoldSubject.DELIVERY, get_current(session, Delivery, source.delivery_id, "delivery", known).id)
    if source.partner is not None:
        return Asked(HoldSubject.PARTNER, get_partner(session, source.partner).id)
    vessel = get_vessel(session, source.vessel_id or 0, known)
    return Asked(HoldSubject.VESSEL, vessel.id, source.from_at, source.to_at, source.suspect_discharge)


def find_source(session: Session, asked: Asked, known: Knowledge | None = None) -> Source:
    """The lots of what is asked about, as known."""
    words = named(session, asked, known)
    if asked.is_excursion:
        assert asked.from_at is not None, "an excursion has its time"
        assert asked.to_at is not None, "an excursion has its time"
        out = suspect_lots(session, asked.id, asked.from_at, asked.to_at, known)
        # What had left before it began saw nothing of it; then the time of the excursion itself is what can be held.
        to_at = asked.to_at if out.to_at is not None and out.to_at <= out.from_at else out.to_at
        return Source(asked, words, Subject(asked.kind, asked.id, out.from_at, to_at), out.lots)
    subject = Subject(asked.kind, asked.id, asked.from_at, asked.to_at)
    return Source(asked, words, subject, tuple(lots_of_subject(session, subject, known)))


def named(session: Session, asked: Asked, known: Knowledge | None = None) -> Named:
    """What is asked about, in words."""
    match asked.kind:
        case HoldSubject.LOT:
            code = lots_by_id(session, [asked.id])[asked.id].code
            return Named(code, f"lot {code}")
        case HoldSubject.DELIVERY:
            code = get_current(session, Delivery, asked.id, "delivery", known).ticket_no
            return Named(code, f"the load of ticket {code}")
        case HoldSubject.PARTNER:
            code = get_current(session, Partner, asked.id, "partner", known).code
            return Named(code, f"everything from {partner_names(session, [asked.id], known)[asked.id]}")
        case HoldSubject.VESSEL:
            vessel = get_vessel(session, asked.id, known)
            return Named(vessel.code, f"what was {'inside' if asked.is_excursion else 'drawn from'} {vessel.name}")
    assert_never(asked.kind)


def codes_of(session: Session, lot_ids: Sequence[int]) -> list[str]:
    """Codes of lots in their order."""
    lots = lots_by_id(session, lot_ids)
    return [lots[lot_id].code for lot_id in lot_ids]
