"""Verbs on partners and contracts."""

from datetime import datetime

from sqlmodel import Session

from service.core.quantities import fraction_text, kg_text
from service.db import utc_text
from service.errors import Conflict, Finding, Findings
from service.journal.entry import Entry
from service.journal.read import get_current, text_of
from service.journal.tables import site_of
from service.partners.lookups import look_up_material, look_up_partner
from service.partners.queries import (
    find_contract_code,
    find_partner,
    find_unmapped_supplier,
    overlapping_contracts,
)
from service.partners.schemas import ContractIn, ContractOut, MappingIn, PartnerIn, PartnerOut
from service.partners.tables import Contract, Partner


def record_partner(entry: Entry, partner: PartnerIn) -> PartnerOut:
    """Register a partner in the master data all sites share."""
    entry.open(0, "partner_registered")
    if partner.code is not None:
        _refuse_taken_code(entry.session, partner.code)
    row = Partner(
        id=entry.new_id("partner"),
        code=partner.code or _next_code(entry),
        name_id=entry.text(partner.name),
        is_supplier=partner.is_supplier,
        is_carrier=partner.is_carrier,
        is_customer=partner.is_customer,
        is_laboratory=partner.is_laboratory,
        is_mapped=True,
        country=partner.country,
    )
    return partner_out(entry.add(row), partner.name)


def unmapped_supplier(entry: Entry, name: str) -> Partner:
    """The unmapped supplier of this name, taken on now if the gate has not seen it before.

    Belongs to the site's own log, inside the delivery's entry: the truck waits for nobody's master data.
    """
    seen_before = find_unmapped_supplier(entry.session, name, entry.site_no)
    if seen_before is not None:
        return seen_before
    return entry.add(
        Partner(
            id=entry.new_id("partner"),
            code=_next_code(entry),
            name_id=entry.text(name),
            is_supplier=True,
            is_carrier=False,
            is_customer=False,
            is_laboratory=False,
            is_mapped=False,
        )
    )


def map_partner(entry: Entry, partner_id: int, mapping: MappingIn) -> PartnerOut:
    """Tie an unmapped partner to the master data, as its next version; this lifts its blocks.

    Raises
    ------
    Conflict : it is mapped already, or the new code names somebody else.
    """
    entry.open(site_of(partner_id), "partner_mapped")
    earlier = get_current(entry.session, Partner, partner_id, "partner")
    if earlier.is_mapped:
        raise Conflict(
            "partner-mapped",
            f"Partner {earlier.code!r} is mapped already.",
            "Nothing is left to do; check the number if you meant another partner.",
        )
    if mapping.code is not None and mapping.code != earlier.code:
        _refuse_taken_code(entry.session, mapping.code)
    row: Partner = entry.revise(
        earlier,
        mapping.reason,
        is_mapped=True,
        code=mapping.code or earlier.code,
        name_id=earlier.name_id if mapping.name is None else entry.text(mapping.name),
        country=mapping.country or earlier.country,
    )
    return partner_out(row, text_of(entry.session, row.name_id))


def record_contract(entry: Entry, contract: ContractIn) -> ContractOut:
    """Register purchase terms.

    Raises
    ------
    Unacceptable : unknown partner or material.
    Conflict : the code is taken, or other terms hold for this supplier and material in the same time.
    """
    entry.open(0, "contract_registered", contract.valid_from)
    unknown = Findings()
    partner = look_up_partner(unknown, entry.session, contract.partner, "/partner")
    material = look_up_material(unknown, entry.session, contract.material, "/material")
    unknown.refuse_if_any(code="unknown-code", detail="The contract names something that is not registered.")
    assert partner is not None
    assert material is not None
    findings = Findings()
    if contract.code is not None and find_contract_code(entry.session, contract.code) is not None:
        findings.add("/code", f"{contract.code!r} names another contract", "Choose another code.")
    for other in overlapping_contracts(entry.session, partner.id, material.id, contract.valid_from, contract.valid_to):
        findings.add(
            "/valid_from",
            f"contract {other.code} holds for {contract.partner} and {contract.material} from "
            f"{utc_text(other.valid_from)} {_until(other.valid_to)}",
            "Choose a validity outside the other contract's.",
        )
    findings.refuse_if_any(Conflict, code="contract-overlaps", detail="These terms collide with others.")
    row = Contract(
        id=entry.new_id("contract"),
        code=contract.code or _next_contract_code(entry),
        partner_id=partner.id,
        material_id=material.id,
        moisture_allowance_ppm=contract.moisture_allowance_fraction,
        payable_formula=contract.payable_formula,
        tie_g=contract.tie_kg or 0,
        valid_from=contract.valid_from,
        valid_to=contract.valid_to,
    )
    return contract_out(entry.add(row), partner.code, material.code)


def _until(valid_to: datetime | None) -> str:
    return "on" if valid_to is None else f"until {utc_text(valid_to)}"


def _refuse_taken_code(session: Session, code: str) -> None:
    if find_partner(session, code) is not None:
        raise Conflict(
            "code-taken",
            f"The code {code!r} already names a partner.",
            "Choose another code.",
            (Finding("/code", f"{code!r} is taken", "Choose another code."),),
        )


def _next_code(entry: Entry) -> str:
    """P000001 in the shared master data, P3-000001 at the gate of site 3; codes given by hand are passed over."""
    while True:
        number = entry.next_number("partner")
        code = f"P{entry.site_no}-{number:06d}" if entry.site_no else f"P{number:06d}"
        if find_partner(entry.session, code) is None:
            return code


def _next_contract_code(entry: Entry) -> str:
    while True:
        code = f"C{entry.next_number('contract'):06d}"
        if find_contract_code(entry.session, code) is None:
            return code


def partner_out(row: Partner, name: str | None) -> PartnerOut:
    return PartnerOut(
        id=row.id,
        version=row.version,
        code=row.code,
        name=name,
        is_supplier=row.is_supplier,
        is_carrier=row.is_carrier,
        is_customer=row.is_customer,
        is_laboratory=row.is_laboratory,
        is_mapped=row.is_mapped,
        country=row.country,
    )


def contract_out(row: Contract, partner_code: str, material_code: str) -> ContractOut:
    return ContractOut(
        id=row.id,
        version=row.version,
        code=row.code,
        partner=partner_code,
        material=material_code,
        moisture_allowance_fraction=fraction_text(row.moisture_allowance_ppm),
        payable_formula=row.payable_formula,
        tie_kg=kg_text(row.tie_g),
        valid_from=row.valid_from,
        valid_to=row.valid_to,
    )
