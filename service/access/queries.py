"""Who stands behind a bearer key."""

from datetime import datetime

from sqlalchemy import select
from sqlmodel import Session, col

from service.access.record import key_digest
from service.access.tables import Actor, Credential
from service.errors import Unauthenticated
from service.journal.read import find_current

REMEDY = "Send the header 'Authorization: Bearer KEY'; `bale-to-pellet keys add` makes a key."


def actor_behind(session: Session, key: str | None, now: datetime) -> int:
    """The actor a key belongs to.

    Raises
    ------
    Unauthenticated : no key, an unknown, expired or revoked one.
    """
    if not key:
        raise Unauthenticated("no-key", "This request writes and carries no key.", REMEDY)
    return credential_behind(session, key, now).actor_id


def credential_behind(session: Session, key: str, now: datetime) -> Credential:
    """The record of a key that opens something now.

    Raises
    ------
    Unauthenticated : an unknown, expired or revoked key.
    """
    # Looked up by digest: the time of the comparison says nothing about the key itself.
    credential: Credential | None = session.execute(
        select(Credential).where(col(Credential.sha256) == key_digest(key))
    ).scalar_one_or_none()
    if credential is None or not is_open(credential, now) or find_current(session, Actor, credential.actor_id) is None:
        raise Unauthenticated("unknown-key", "This key is unknown, expired or revoked.", REMEDY)
    return credential


def is_open(credential: Credential, now: datetime) -> bool:
    """Whether a key was neither revoked nor has expired."""
    return credential.revoked_at is None and (credential.expires_at is None or credential.expires_at > now)
