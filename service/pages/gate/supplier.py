"""Whom a typed supplier means: known, to be chosen among similar names, or nobody known yet."""

from dataclasses import dataclass

from service.pages.desk import Desk
from service.pages.forms import Form, Typed
from service.partners.queries import PartnerMatch, match_partners

FIELD = "supplier"
CHOICE_FIELD = "supplier_meant"
NEW = "new"  # no partner code is in small letters, so this means nobody else


@dataclass(frozen=True)
class Meant:
    """Exactly one of the two is there, or neither where the form was left empty or asks back."""

    code: str | None = None
    new_name: str | None = None


def supplier_meant(desk: Desk, typed: Typed) -> Meant:
    """The supplier a form names; asks back where a typed name is only similar to known ones.

    An unknown supplier never stops a truck: a name like nobody else's is taken on as it is, and blocked for
    payment and food use until it is mapped.
    """
    name = typed.text(FIELD)
    if name is None:
        return Meant()
    choice = typed.text(CHOICE_FIELD)
    matches = match_partners(desk.session, name)
    exact = [match for match in matches if match.is_exact]
    if len(exact) == 1:  # before any choice: it may have been made for the name that stood there earlier
        return Meant(code=exact[0].code)
    if choice in {match.code for match in matches}:
        return Meant(code=choice)
    if choice == NEW:
        return Meant(new_name=name)
    if not matches:
        return Meant(new_name=name)
    typed.blame(FIELD, "Several suppliers have this name." if exact else "Nobody is in the books under this very name.")
    return Meant()


def choices_for(desk: Desk, form: Form) -> list[PartnerMatch]:
    """The suppliers to choose from where the form asks back."""
    return match_partners(desk.session, form.value(FIELD)) if form.fault(FIELD) and form.value(FIELD) else []
