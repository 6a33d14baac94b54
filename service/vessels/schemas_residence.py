"""What comes in and goes out about how long material stays in a vessel or a line."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from service.plant.schemas import Source, ValidFrom
from service.plant.statuses import Mixing
from service.web import Body, FractionIn, KgIn, Moment, Out, Reason, fault_in

Seconds = Annotated[int, Field(ge=0, le=100 * 86_400, description="Seconds, at most a hundred days.")]
ReportDigest = Annotated[
    str | None,
    Field(pattern=r"^[0-9a-f]{64}$", description="SHA-256 of the report, of a tracer test say, that supports it."),
]


class ResidenceIn(ValidFrom):
    """How long material stays, and in what regime, from a date on.

    Without a report the data serve for expected shares only, and what may be contained stays as wide as ever.
    """

    regime: Mixing
    tanks: Annotated[int | None, Field(ge=1, le=50, description="Stirred tanks in a row, equal in size.")] = None
    spread_fraction: Annotated[
        FractionIn | None, Field(description="Plug flow: how far the hold-up varies to either side, as a fraction.")
    ] = None
    hold_up_kg: Annotated[KgIn | None, Field(description="Dry mass inside; the book's content if left out.")] = None
    residence_min_s: Seconds | None = None
    residence_mean_s: Seconds | None = None
    residence_max_s: Seconds | None = None
    report_sha256: ReportDigest = None
    source: Source

    @model_validator(mode="after")
    def _fits_the_regime(self) -> Self:
        if self.regime is Mixing.RUN_MIXED:
            raise fault_in("regime", "run_mixed is the rule of runs, not the regime of a vessel or a line")
        if (self.tanks is not None) != (self.regime is Mixing.TANKS_IN_SERIES):
            raise fault_in("tanks", "tanks belong to tanks_in_series, and to no other regime")
        if self.spread_fraction is not None and self.regime is not Mixing.PLUG_FLOW:
            raise fault_in("spread_fraction", "a spread belongs to plug_flow, and to no other regime")
        return self

    @model_validator(mode="after")
    def _times_in_order(self) -> Self:
        least, mean, most = self.residence_min_s, self.residence_mean_s, self.residence_max_s
        if (least is None) != (most is None):
            raise fault_in("residence_max_s", "residence_min_s and residence_max_s belong together")
        if least is not None and most is not None and least > most:
            raise fault_in("residence_min_s", f"residence_min_s {least} lies above residence_max_s {most}")
        if mean is not None and (least is None or most is None or not least <= mean <= most):
            raise fault_in("residence_mean_s", "residence_mean_s lies between residence_min_s and residence_max_s")
        return self


class ResidenceCorrectionIn(Body):
    """State the data anew as a new version of them, or withdraw them."""

    reason: Reason
    withdraw: bool = False
    stated: ResidenceIn | None = None

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.withdraw == (self.stated is not None):
            raise fault_in("withdraw", "either withdraw the data, or state them anew")
        return self


class ResidenceOut(Out):
    id: int
    version: int
    regime: Mixing
    tanks: int | None
    spread_fraction: str | None
    hold_up_kg: str | None
    residence_min_s: int | None
    residence_mean_s: int | None
    residence_max_s: int | None
    report_sha256: str | None
    source: str
    valid_from: Moment
    valid_to: Moment | None


class StopIn(Body):
    """It stood still with material inside: residence grows, and no mass moves."""

    start_at: Moment
    end_at: Moment
    note: Reason

    @model_validator(mode="after")
    def _forwards(self) -> Self:
        if self.end_at <= self.start_at:
            raise fault_in("end_at", "a stop ends after it began")
        return self


class StopCorrectionIn(Body):
    """Correct the times of a stop as a new version of it, or withdraw it."""

    reason: Reason
    withdraw: bool = False
    start_at: Moment | None = None
    end_at: Moment | None = None

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.withdraw == (self.start_at is not None or self.end_at is not None):
            raise fault_in("withdraw", "either withdraw the stop, or give what is to be corrected")
        return self


class StopOut(Out):
    id: int
    version: int
    start_at: Moment
    end_at: Moment
    note: str
    warnings: list[str]


class EntryWindowOut(Out):
    """When what left in an interval had entered: the widest it can be, and what is expected of the regime as stated.

    Null where the book knows of nothing that left then.
    """

    vessel: str
    left_from: Moment
    left_to: Moment
    entered_from: Moment | None
    entered_to: Moment | None
    expected_from: Moment | None
    expected_to: Moment | None
    worst_case_only: bool
    residence: ResidenceOut | None
    basis: str


class SuspectDischargeOut(Out):
    """What left from the beginning of an excursion until all that was inside during it was out.

    `suspect_to` is null while some of it may still be inside. Whether what is named may be used is not decided here
    but by the responsible quality person.
    """

    vessel: str
    excursion_from: Moment
    excursion_to: Moment
    suspect_from: Moment
    suspect_to: Moment | None
    discharged_dry_kg: str
    lots: list[str]
    worst_case_only: bool
    residence: ResidenceOut | None
    basis: str
