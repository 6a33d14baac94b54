"""Which lots may contain some of others: the one question of lineage that recalls ask."""

from collections.abc import Sequence
from typing import NamedTuple

from sqlmodel import Session

from service.journal.read import Knowledge
from service.lineage.descent import descent


class Affected(NamedTuple):
    """A lot that may contain some of the sources.

    Parameters
    ----------
    share_e12 : expected share of it that comes from them, per 10**12; 0 does not say that none is in it.
    is_listed : False where the share is too small to be kept apart and stands in the lot's remainder.
    """

    lot_id: int
    share_e12: int
    is_listed: bool


def affected_by(session: Session, sources: Sequence[int], known: Knowledge | None = None) -> list[Affected]:
    """Every lot that may contain some of these lots, they themselves apart: complete, without any cut-off.

    Each comes after the lots it was made from.
    """
    found = descent(session, sources, known)
    return [Affected(lot_id, share_e12, share_e12 > 0 or not found.is_cut) for lot_id, share_e12 in found.shares]
