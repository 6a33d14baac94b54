"""Partners and contracts as they stand, or as they were known."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import or_, select
from sqlmodel import Session, col

from service.core.name_match import names_meant, plain_name
from service.errors import NotFound
from service.journal.read import Knowledge, current
from service.journal.tables import SITE_STEP, PrivateText
from service.partners.tables import Contract, Partner


def find_partner(session: Session, code: str) -> Partner | None:
    """The current partner under a code; codes are names for all sites."""
    return session.execute(current(Partner).where(col(Partner.code) == code)).scalars().first()


def get_partner(session: Session, code: str) -> Partner:
    """The same, or a refusal.

    Raises
    ------
    NotFound : no partner has this code.
    """
    found = find_partner(session, code)
    if found is None:
        raise NotFound(
            "partner-not-found", f"There is no partner {code!r}.", "Check the code; list the partners first."
        )
    return found


def partners_by_id(session: Session, ids: Iterable[int | None], known: Knowledge | None = None) -> dict[int, Partner]:
    wanted = {identity for identity in ids if identity is not None}
    rows = session.execute(current(Partner, known).where(col(Partner.id).in_(wanted))).scalars()
    return {row.id: row for row in rows}


def list_partners(session: Session, known: Knowledge | None = None) -> Sequence[Partner]:
    return session.execute(current(Partner, known).order_by(col(Partner.id))).scalars().all()


def names_of(session: Session, partners: Iterable[Partner]) -> dict[int, str | None]:
    """Names by partner id, in one query; None where the name has been erased."""
    text_ids = {partner.id: partner.name_id for partner in partners}
    rows = session.execute(
        select(col(PrivateText.id), col(PrivateText.text)).where(col(PrivateText.id).in_(text_ids.values()))
    ).all()
    texts: dict[int, str | None] = {row[0]: row[1] for row in rows}
    return {partner_id: texts.get(text_id) for partner_id, text_id in text_ids.items()}


class PartnerMatch(NamedTuple):
    """A partner that may be meant; `is_exact`: code or name is what was typed, but for case and spaces."""

    code: str
    name: str | None
    is_exact: bool


def match_partners(session: Session, typed: str, *, suppliers_only: bool = True, limit: int = 8) -> list[PartnerMatch]:
    """Partners somebody may mean by a code or by a part of a name, the likeliest first.

    The code itself, the name itself, names that hold every typed word, close spellings. All names are looked
    at: a plant knows hundreds of partners, not hundreds of thousands. One whose name has been erased is found
    by code only.
    """
    wanted = plain_name(typed)
    query = (
        current(Partner)
        .join(PrivateText, col(PrivateText.id) == col(Partner.name_id))
        .order_by(col(Partner.id))
        .with_only_columns(col(Partner.code), col(PrivateText.text))
    )
    if suppliers_only:
        query = query.where(col(Partner.is_supplier))
    known = [(row[0], row[1]) for row in session.execute(query)]
    by_code = [PartnerMatch(code, name, True) for code, name in known if code.casefold() == wanted]
    named = [(code, name) for code, name in known if name is not None and code.casefold() != wanted]
    by_name = [
        PartnerMatch(*named[place], is_exact=plain_name(named[place][1]) == wanted)
        for place in names_meant(typed, [name for _, name in named], limit)
    ]
    return [*by_code, *by_name][:limit]


def find_unmapped_supplier(session: Session, name: str, site_no: int) -> Partner | None:
    """The supplier taken on at this site's gate under exactly this name and not mapped since.

    The second truck of an unknown supplier belongs to the first one's entry, not to a twin of it.
    """
    return (
        session.execute(
            current(Partner)
            .join(PrivateText, col(PrivateText.id) == col(Partner.name_id))
            .where(
                col(Partner.is_mapped).is_(False),
                col(PrivateText.text) == name,
                col(Partner.id) >= site_no * SITE_STEP,
                col(Partner.id) < (site_no + 1) * SITE_STEP,
            )
            .order_by(col(Partner.id))
        )
        .scalars()
        .first()
    )


def find_contract_code(session: Session, code: str) -> Contract | None:
    return session.execute(current(Contract).where(col(Contract.code) == code)).scalars().first()


def list_contracts(session: Session, known: Knowledge | None = None) -> Sequence[Contract]:
    return session.execute(current(Contract, known).order_by(col(Contract.id))).scalars().all()


def overlapping_contracts(
    session: Session, partner_id: int, material_id: int, valid_from: datetime, valid_to: datetime | None
) -> Sequence[Contract]:
    """Contracts of the same supplier and material whose half-open validity touches the given one."""
    query = current(Contract).where(
        col(Contract.partner_id) == partner_id,
        col(Contract.material_id) == material_id,
        or_(col(Contract.valid_to).is_(None), col(Contract.valid_to) > valid_from),
    )
    if valid_to is not None:
        query = query.where(col(Contract.valid_from) < valid_to)
    return session.execute(query.order_by(col(Contract.valid_from))).scalars().all()


def find_contract(
    session: Session, partner_id: int, material_id: int, at: datetime, known: Knowledge | None = None
) -> Contract | None:
    """The contract in force at `at`; at most one, because overlaps are refused."""
    return (
        session.execute(
            current(Contract, known).where(
                col(Contract.partner_id) == partner_id,
                col(Contract.material_id) == material_id,
                col(Contract.valid_from) <= at,
                or_(col(Contract.valid_to).is_(None), col(Contract.valid_to) > at),
            )
        )
        .scalars()
        .first()
    )
