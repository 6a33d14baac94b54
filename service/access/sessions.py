"""Log-ins of people at a page: a random cookie for a bearer key, revocable, of one shift's length.

Logging out ends one log-in; taking the key back ends all that were made with it, as for a lost phone.

The cookie is 32 random bytes and only its digest is stored, so a copy of the database opens no page. Not
here: the cookie's attributes and the check where a form comes from (`pages`).
"""

import secrets
from datetime import datetime, timedelta

from sqlalchemy import insert, select, update
from sqlmodel import Session, col

from service.access.queries import credential_behind, is_open
from service.access.record import key_digest
from service.access.tables import BrowserSession, Credential

# A shift of twelve hours and the hand-over after it, so that nobody is thrown out while a truck stands on the scale.
LENGTH = timedelta(hours=14)


def start_session(session: Session, key: str, now: datetime, site_no: int | None) -> str:
    """Log somebody in by key; gives the cookie's value, shown once.

    Raises
    ------
    Unauthenticated : an unknown, expired or revoked key.
    """
    credential = credential_behind(session, key, now)
    cookie = secrets.token_urlsafe(32)
    expires_at = now + LENGTH
    if credential.expires_at is not None:
        expires_at = min(expires_at, credential.expires_at)
    session.execute(
        insert(BrowserSession).values(
            sha256=key_digest(cookie),
            actor_id=credential.actor_id,
            credential_sha256=credential.sha256,
            site_no=site_no,
            created_at=now,
            expires_at=expires_at,
        )
    )
    return cookie


def find_session(session: Session, cookie: str | None, now: datetime) -> BrowserSession | None:
    """The log-in behind a cookie, or None: unknown, expired, logged out, or its key was taken back."""
    if not cookie:
        return None
    found = session.execute(
        select(BrowserSession, Credential)
        .join(Credential, col(Credential.sha256) == col(BrowserSession.credential_sha256))
        .where(col(BrowserSession.sha256) == key_digest(cookie))
    ).one_or_none()
    if found is None:
        return None
    browser, credential = found
    ended = browser.revoked_at is not None or browser.expires_at <= now
    return None if ended or not is_open(credential, now) else browser


def choose_site(session: Session, cookie: str, site_no: int) -> None:
    """From now on this log-in works at another plant."""
    row = col(BrowserSession.sha256) == key_digest(cookie)
    session.execute(update(BrowserSession).where(row).values(site_no=site_no))


def end_session(session: Session, cookie: str, now: datetime) -> None:
    """Log out: the cookie opens nothing any more, wherever it was copied to."""
    row = (col(BrowserSession.sha256) == key_digest(cookie)) & (col(BrowserSession.revoked_at).is_(None))
    session.execute(update(BrowserSession).where(row).values(revoked_at=now))
