"""What comes in and goes out for partners and contracts."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from service.core.quantities import PPM
from service.core.receipt import PayableFormula
from service.plant.schemas import ValidFrom
from service.web import Body, Code, FractionIn, KgIn, Moment, Name, Out, Reason, fault_in

Country = Annotated[str, Field(pattern=r"^[A-Z]{2}$", description="ISO 3166-1 alpha-2.")]


class PartnerIn(Body):
    """A business partner. Without `code` the plant gives one."""

    code: Code | None = None
    name: Name
    is_supplier: bool = False
    is_carrier: bool = False
    is_customer: bool = False
    is_laboratory: bool = False
    country: Country | None = None

    @model_validator(mode="after")
    def _has_a_role(self) -> Self:
        if not (self.is_supplier or self.is_carrier or self.is_customer or self.is_laboratory):
            raise fault_in("is_supplier", "set at least one of is_supplier, is_carrier, is_customer, is_laboratory")
        return self


class MappingIn(Body):
    """Ties a partner that was taken on at the gate to the master data; what is left out stays as it is."""

    code: Code | None = None
    name: Name | None = None
    country: Country | None = None
    reason: Reason


class PartnerOut(Out):
    id: int
    version: int
    code: str
    name: str | None
    is_supplier: bool
    is_carrier: bool
    is_customer: bool
    is_laboratory: bool
    is_mapped: bool
    country: str | None


class ContractIn(ValidFrom):
    """Purchase terms for one material of one supplier. Without `code` the plant gives one."""

    code: Code | None = None
    partner: Code
    material: Code
    moisture_allowance_fraction: Annotated[
        FractionIn, Field(description="Moisture of the wet mass that is paid for without deduction.")
    ]
    payable_formula: PayableFormula
    tie_kg: KgIn | None = Field(default=None, description="Wire or strap deducted per bale; null: none.")

    @model_validator(mode="after")
    def _pays_for_something_dry(self) -> Self:
        if self.moisture_allowance_fraction == PPM:
            raise fault_in(
                "moisture_allowance_fraction",
                "moisture_allowance_fraction must be below 1: an allowance of 1 would pay for pure water",
            )
        return self


class ContractOut(Out):
    id: int
    version: int
    code: str
    partner: str
    material: str
    moisture_allowance_fraction: str
    payable_formula: PayableFormula
    tie_kg: str
    valid_from: Moment
    valid_to: Moment | None
