"""Looking after bearer keys: who holds one, and taking one back. Keys themselves are nowhere stored."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, update
from sqlmodel import Session, col

from service.access.statuses import ActorKind
from service.access.tables import Actor, Credential
from service.errors import Conflict, NotFound
from service.journal.read import current, text_of

KEY_ID_LENGTH = 12


@dataclass(frozen=True)
class KeyHolder:
    """A key as it may be shown: `key_id` is the start of its digest, from which the key cannot be found."""

    key_id: str
    actor_id: int
    name: str
    kind: ActorKind | None
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


def list_keys(session: Session) -> Sequence[KeyHolder]:
    """All keys ever given, oldest first; revoked ones too."""
    actors = {actor.id: actor for actor in session.execute(current(Actor)).scalars()}
    credentials = session.execute(select(Credential).order_by(col(Credential.created_at), col(Credential.sha256)))
    holders = []
    for credential in credentials.scalars():
        actor = actors.get(credential.actor_id)
        name = text_of(session, actor.name_id) if actor is not None else None
        holders.append(
            KeyHolder(
                key_id=credential.sha256[:KEY_ID_LENGTH],
                actor_id=credential.actor_id,
                name=name or "(name erased)",
                kind=actor.kind if actor is not None else None,
                created_at=credential.created_at,
                expires_at=credential.expires_at,
                revoked_at=credential.revoked_at,
            )
        )
    return holders


def revoke_key(session: Session, key_id: str, now: datetime) -> None:
    """Take a key back: from now on it opens nothing. What was written with it stays.

    Raises
    ------
    NotFound : no key, or more than one, begins with `key_id`.
    Conflict : it was revoked before.
    """
    remedy = "Copy the id from `bale-to-pellet keys list`."
    digests = session.execute(
        select(col(Credential.sha256), col(Credential.revoked_at)).where(
            col(Credential.sha256).startswith(key_id, autoescape=True)
        )
    ).all()
    if len(key_id) < KEY_ID_LENGTH or len(digests) != 1:
        raise NotFound("key-not-found", f"No key has the id {key_id!r}.", remedy)
    (digest, revoked_at) = digests[0]
    if revoked_at is not None:
        raise Conflict("key-revoked", f"The key {key_id} was revoked at {revoked_at.isoformat()}.", remedy)
    session.execute(update(Credential).where(col(Credential.sha256) == digest).values(revoked_at=now))
