"""Master data by code, and the setting that was in force at a moment."""

from collections.abc import Sequence
from datetime import datetime
from typing import TypeVar

from sqlalchemy import or_
from sqlmodel import Session, col

from service.errors import NotFound
from service.journal.read import Knowledge, current, get_current
from service.journal.tables import SITE_STEP
from service.plant.statuses import SettingKey
from service.plant.tables import ContainerType, Equipment, Instrument, Material, Setting, Site

Coded = TypeVar("Coded", Site, Material, Instrument, ContainerType, Equipment)
NOUN = {
    Site: "site",
    Material: "material",
    Instrument: "instrument",
    ContainerType: "container type",
    Equipment: "vessel",
}


def find_by_code(session: Session, table: type[Coded], code: str, site_no: int = 0) -> Coded | None:
    """The current fact under a code; instruments and vessels have codes per site, the rest for all sites."""
    query = current(table).where(col(table.code) == code)
    if site_no:
        query = query.where(col(table.id) >= site_no * SITE_STEP, col(table.id) < (site_no + 1) * SITE_STEP)
    return session.execute(query).scalars().first()


def get_by_code(session: Session, table: type[Coded], code: str, site_no: int = 0) -> Coded:
    """The same, or a refusal that names the code.

    Raises
    ------
    NotFound : no such code.
    """
    found = find_by_code(session, table, code, site_no)
    if found is None:
        noun = NOUN[table]
        raise NotFound(
            f"{noun.replace(' ', '-')}-not-found",
            f"There is no {noun} {code!r}.",
            f"Register the {noun} first, or check the code.",
        )
    return found


def get_site(session: Session, site_id: int, known: Knowledge | None = None) -> Site:
    """A site by its number, as known at some moment."""
    return get_current(session, Site, site_id, "site", known)


def list_current(session: Session, table: type[Coded]) -> Sequence[Coded]:
    return session.execute(current(table).order_by(col(table.id))).scalars().all()


def find_setting(
    session: Session,
    key: SettingKey,
    scopes: Sequence[str],
    at: datetime,
    known: Knowledge | None = None,
) -> Setting | None:
    """The setting in force at `at` for the first of `scopes` that has one (most specific first).

    Notes
    -----
    Validity is half-open, and `record_setting` refuses overlaps, so at most one per scope matches.
    """
    for scope in scopes:
        found: Setting | None = (
            session.execute(
                current(Setting, known).where(
                    col(Setting.key) == key,
                    col(Setting.scope) == scope,
                    col(Setting.valid_from) <= at,
                    or_(col(Setting.valid_to).is_(None), col(Setting.valid_to) > at),
                )
            )
            .scalars()
            .first()
        )
        if found is not None:
            return found
    return None


def list_settings(session: Session, known: Knowledge | None = None) -> Sequence[Setting]:
    query = current(Setting, known).order_by(col(Setting.key), col(Setting.scope), col(Setting.valid_from))
    return session.execute(query).scalars().all()
