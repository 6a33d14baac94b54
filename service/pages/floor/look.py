"""What the codes of a refused form stand for: shown beside the refusal, so that nobody has to look each one up."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import col

from service.core.quantities import kg_text
from service.core.typed import Unreadable
from service.core.typed_lists import split_codes
from service.journal.tables import site_of
from service.lineage.holds import holds_reaching
from service.lots.queries import materials_of
from service.lots.rows import lot_rows_where
from service.lots.stock import accounts_of
from service.lots.tables import Lot
from service.pages.desk import Desk
from service.pages.forms import Form
from service.pages.scan import kind_words

CODES_MAX = 200  # as many as one form may feed; beyond that the list itself is the mistake
WHO_LIFTS = "Lifted only by another person than the one who placed it: ask the quality person."


@dataclass(frozen=True)
class Look:
    """One code of a form.

    Parameters
    ----------
    what : kind and material, '' for a code nobody here gave.
    left_kg, held_kg : what is left of all it ever held; None where it has no mass yet.
    holds : the words of each hold that reaches it.
    trouble : what else is the matter, '' if nothing.
    """

    code: str
    what: str
    left_kg: str | None
    held_kg: str | None
    holds: tuple[str, ...]
    trouble: str


def looks_of(desk: Desk, form: Form | None, field: str) -> list[Look]:
    """A look at every code in a field of a refused form; none for a form that is not refused."""
    if form is None or not form.is_refused:
        return []
    try:
        codes = split_codes(form.value(field)).codes
    except Unreadable:
        return []  # the refusal names what is no code
    return look_at(desk, codes[:CODES_MAX])


def look_at(desk: Desk, codes: Sequence[str]) -> list[Look]:
    session = desk.session
    lots = {lot.code: lot for lot in lot_rows_where(session, col(Lot.code).in_(codes))}
    ids = [lot.id for lot in lots.values()]
    accounts, materials, holds = accounts_of(session, ids), materials_of(session, ids), holds_reaching(session, ids)
    looks = []
    for code in codes:
        lot = lots.get(code)
        if lot is None:
            looks.append(Look(code, "", None, None, (), "Unknown here: no lot of this server has this code"))
            continue
        account, trouble = accounts[lot.id], ""
        if site_of(lot.id) != desk.site.site_no:
            trouble = "Of another plant"
        elif account.mass_g is None:
            trouble = "No mass yet: its truck has no tare weighing"
        elif account.on_hand_g <= 0:
            trouble = "Nothing is left of it"
        causes = []
        for reach in holds.get(lot.id, ()):
            through = "" if reach.source.id == lot.id else f" (through lot {reach.source.code} in it)"
            causes.append(f"{reach.cause}{through}")
        looks.append(
            Look(
                code,
                f"{kind_words(lot.kind)}, {materials[lot.id].name}",
                None if account.mass_g is None else kg_text(account.on_hand_g),
                None if account.mass_g is None else kg_text(account.mass_g),
                tuple(causes),
                trouble,
            )
        )
    return looks
