"""What comes in and goes out for master data."""

from decimal import Decimal
from typing import Annotated, Self
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from service.core.weighing import AccuracyClass
from service.plant.statuses import InstrumentKind, MaterialForm, Mixing, SettingKey, VesselKind, WasteClass
from service.web import Body, Code, FractionIn, KgIn, Moment, Name, Out, Reason, fault_in

Source = Annotated[
    str,
    Field(min_length=3, max_length=400, description="Where the value comes from; 'common practice' is allowed."),
]


class ValidFrom(Body):
    """Half-open validity [valid_from, valid_to)."""

    valid_from: Moment
    valid_to: Moment | None = None

    @model_validator(mode="after")
    def _forwards(self) -> Self:
        if self.valid_to is not None and self.valid_to <= self.valid_from:
            raise fault_in("valid_to", "valid_to must lie after valid_from")
        return self


class SiteIn(Body):
    """A plant. `zone` is an IANA time zone, for shifts and months."""

    code: Code
    name: Name
    zone: Annotated[str, Field(description="IANA time zone, e.g. Europe/Lisbon.")]

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError) as failure:
            raise ValueError("not an IANA time zone") from failure
        return zone


class SiteOut(Out):
    id: int
    site_no: int
    code: str
    name: str
    zone: str


class MaterialIn(Body):
    """A material as the trade names it; `waste_class` is decided here, at origin."""

    code: Code
    name: Name
    form: MaterialForm
    polymer: Annotated[str, Field(min_length=1, max_length=32)]
    colour: Annotated[str, Field(min_length=1, max_length=32)]
    waste_class: WasteClass
    food_candidate: bool


class MaterialOut(Out):
    id: int
    code: str
    name: str
    form: MaterialForm
    polymer: str
    colour: str
    waste_class: WasteClass
    food_candidate: bool


class InstrumentIn(Body):
    """A scale: accuracy class, Max and verification interval e, as on its plate."""

    site: Code
    code: Code
    name: Name
    kind: InstrumentKind
    accuracy_class: AccuracyClass
    max_kg: KgIn
    e_kg: KgIn
    u_reading_kg: KgIn | None = None
    u_span_fraction: FractionIn | None = None
    calibrated_from: Moment | None = None
    calibrated_to: Moment | None = None

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        if self.e_kg >= self.max_kg:
            raise fault_in("e_kg", "e_kg must be smaller than max_kg")
        if self.calibrated_from and self.calibrated_to and self.calibrated_to <= self.calibrated_from:
            raise fault_in("calibrated_to", "calibrated_to must lie after calibrated_from")
        return self


class CertificateIn(Body):
    """A calibration of a scale: what it promises, and from when to when.

    With the `calibrated_from` of an earlier one it corrects that; the earlier version stays readable.
    """

    u_reading_kg: Annotated[KgIn | None, Field(description="Standard uncertainty (k = 1) of one reading.")] = None
    u_span_fraction: Annotated[
        FractionIn | None, Field(description="Standard uncertainty (k = 1) of the span, as a fraction of the mass.")
    ] = None
    calibrated_from: Moment
    calibrated_to: Moment | None = None
    reason: Reason

    @model_validator(mode="after")
    def _forwards(self) -> Self:
        if self.calibrated_to is not None and self.calibrated_to <= self.calibrated_from:
            raise fault_in("calibrated_to", "calibrated_to must lie after calibrated_from")
        return self


class InstrumentOut(Out):
    id: int
    version: int
    code: str
    name: str
    kind: InstrumentKind
    accuracy_class: AccuracyClass
    max_kg: str
    e_kg: str
    u_reading_kg: str | None
    u_span_fraction: str | None
    calibrated_from: Moment | None
    calibrated_to: Moment | None


class ContainerTypeIn(ValidFrom):
    """Packaging with its tare and how well the tare is known."""

    code: Code
    name: Name
    tare_kg: KgIn
    u_tare_kg: KgIn


class ContainerTypeOut(Out):
    id: int
    code: str
    name: str
    tare_kg: str
    u_tare_kg: str
    valid_from: Moment
    valid_to: Moment | None


class SettingIn(ValidFrom):
    """A dated value; `scope` is a step, a material code, a site's code, or empty for everywhere.

    Of `period_tolerance_fraction` it is a step or `site` with a kind of period behind it: `wash/day`, `site/month`.
    """

    key: SettingKey
    scope: Annotated[str, Field(max_length=64)] = ""
    value: Annotated[
        Annotated[Decimal, Field(ge=0, le=1_000_000)]
        | Annotated[str, Field(max_length=64, pattern=r"^[0-9][0-9:,-]*$")],
        Field(
            union_mode="left_to_right",
            description="Fraction or kg, as the key says; shift_starts as 06:00,14:00,22:00, audit_year_start MM-DD, "
            "bulk_density_kg_m3 as lowest-highest.",
        ),
    ]
    source: Source


class SettingOut(Out):
    id: int
    version: int
    key: SettingKey
    scope: str
    value: str
    valid_from: Moment
    valid_to: Moment | None
    source: str


class VesselIn(Body):
    """A vessel of a site, or a line as a whole (`wash_line`), which its runs feed and discharge.

    `mixing` says how shares are computed where no residence data are in force. `proof_sha256` is the digest of a
    report that proves first-in-first-out; only then, and only from `proof_from` on, does it narrow what a draw
    may contain.
    """

    site: Code
    code: Code
    name: Name
    kind: VesselKind
    capacity_kg: KgIn
    mixing: Mixing
    in_use_from: Moment
    proof_sha256: Annotated[str | None, Field(pattern=r"^[0-9a-f]{64}$")] = None
    proof_from: Moment | None = None
    proof_to: Moment | None = None

    @model_validator(mode="after")
    def _proof_is_dated(self) -> Self:
        if self.mixing is Mixing.RUN_MIXED:
            raise fault_in("mixing", "a vessel is well_mixed or first_in_first_out; run_mixed is for runs")
        if self.mixing in (Mixing.TANKS_IN_SERIES, Mixing.PLUG_FLOW):
            raise fault_in("mixing", f"{self.mixing} needs figures: choose the nearer one, then state residence data")
        if (self.proof_sha256 is None) != (self.proof_from is None):
            raise fault_in("proof_from", "proof_sha256 and proof_from belong together")
        if self.proof_to is not None and (self.proof_from is None or self.proof_to <= self.proof_from):
            raise fault_in("proof_to", "proof_to must lie after proof_from")
        return self
