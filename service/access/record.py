"""Registering actors and giving out keys."""

import hashlib
import secrets
from datetime import datetime

from sqlalchemy import insert
from sqlmodel import Session

from service.access.statuses import ActorKind
from service.access.tables import Actor, Credential
from service.journal.entry import Entry
from service.journal.tables import SITE_STEP

FIRST_ACTOR_ID = 1  # identity 1 of the shared log: the installation itself


def record_actor(entry: Entry, *, kind: ActorKind, name: str) -> Actor:
    """Register somebody who may write. The very first actor is its own author."""
    entry.open(0, "actor_registered")
    identity = entry.new_id("actor")
    assert identity % SITE_STEP >= FIRST_ACTOR_ID
    return entry.add(Actor(id=identity, kind=kind, name_id=entry.text(name)))


def give_key(session: Session, *, actor_id: int, now: datetime, key: str | None = None) -> str:
    """Make a bearer key for an actor and keep only its digest; the key itself is shown once."""
    key = key or "b2p_" + secrets.token_urlsafe(32)
    session.execute(insert(Credential).values(sha256=key_digest(key), actor_id=actor_id, created_at=now))
    return key


def key_digest(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
