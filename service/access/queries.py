"""Who stands behind a bearer key."""

from datetime import datetime

from sqlalchemy import select
from sqlmodel import Session, col

from service.access.record import key_digest
from service.access.tables import Actor, Credential
from service.errors import Unauthenticated
from service.journal.read import find_current


def actor_behind(session: Session, key: str | None, now: datetime) -> int:
    """The actor a key belongs to.

    Raises
    ------
    Unauthenticated : no key, an unknown, expired or revoked one.
    """
    remedy = "Send the header 'Authorization: Bearer KEY'; `bale-to-pellet keys add` makes a key."
    if not key:
        raise Unauthenticated("no-key", "This request writes and carries no key.", remedy)
    # Looked up by digest: the time of the comparison says nothing about the key itself.
    credential: Credential | None = session.execute(
        select(Credential).where(col(Credential.sha256) == key_digest(key))
    ).scalar_one_or_none()
    if (
        credential is None
        or credential.revoked_at is not None
        or (credential.expires_at is not None and credential.expires_at <= now)
        or find_current(session, Actor, credential.actor_id) is None
    ):
        raise Unauthenticated("unknown-key", "This key is unknown, expired or revoked.", remedy)
    return credential.actor_id
