"""Codes that stand in a request, looked up so that every unknown one is reported with its field."""

from sqlmodel import Session

from service.errors import Findings
from service.partners.queries import find_partner
from service.partners.tables import Partner
from service.plant.queries import find_by_code
from service.plant.tables import Material


def look_up_partner(findings: Findings, session: Session, code: str | None, pointer: str) -> Partner | None:
    """The partner under a code; None if no code was given, or, with a finding, if nobody has it."""
    if code is None:
        return None
    found = find_partner(session, code)
    if found is None:
        findings.add(pointer, f"there is no partner {code!r}", "Check the code, or register the partner first.")
    return found


def look_up_material(findings: Findings, session: Session, code: str | None, pointer: str) -> Material | None:
    """The material under a code; None if no code was given, or, with a finding, if there is no such material."""
    if code is None:
        return None
    found = find_by_code(session, Material, code)
    if found is None:
        findings.add(pointer, f"there is no material {code!r}", "Check the code, or register the material first.")
    return found
