"""HTTP of partners and contracts."""

from typing import Annotated

from fastapi import Path, Response

from service.partners.queries import list_contracts, list_partners, names_of, partners_by_id
from service.partners.record import contract_out, map_partner, partner_out, record_contract, record_partner
from service.partners.schemas import ContractIn, ContractOut, MappingIn, PartnerIn, PartnerOut
from service.plant.queries import list_current
from service.plant.tables import Material
from service.web import Known, Read, Write, router

routes = router("partners")

PartnerId = Annotated[int, Path(ge=1, lt=2**53, description="Number of the partner.")]


@routes.post("/partners", status_code=201, response_model=PartnerOut)
def post_partner(body: PartnerIn, write: Write) -> Response:
    """Register a partner."""
    return write(lambda entry: record_partner(entry, body))


@routes.get("/partners")
def get_partners(session: Read, known: Known) -> list[PartnerOut]:
    """All partners, those taken on at the gate and not mapped yet among them."""
    rows = list_partners(session, known)
    names = names_of(session, rows)
    return [partner_out(row, names[row.id]) for row in rows]


@routes.post("/partners/{partner_id}/mapping", status_code=201, response_model=PartnerOut)
def post_mapping(partner_id: PartnerId, body: MappingIn, write: Write) -> Response:
    """Tie a partner taken on at the gate to the master data; payment and food use are open from then on."""
    return write(lambda entry: map_partner(entry, partner_id, body))


@routes.post("/contracts", status_code=201, response_model=ContractOut)
def post_contract(body: ContractIn, write: Write) -> Response:
    """Register purchase terms; for one supplier and material no two may hold at the same time."""
    return write(lambda entry: record_contract(entry, body))


@routes.get("/contracts")
def get_contracts(session: Read, known: Known) -> list[ContractOut]:
    """All contracts with their validity."""
    rows = list_contracts(session, known)
    partners = partners_by_id(session, (row.partner_id for row in rows), known)
    materials = {material.id: material.code for material in list_current(session, Material)}
    return [contract_out(row, partners[row.partner_id].code, materials[row.material_id]) for row in rows]
