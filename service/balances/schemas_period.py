"""The balance of a site over a period, as it leaves. Masses are kg dry with all nine decimals, so that they add up."""

from typing import Annotated, Literal

from pydantic import Field

from service.core.local_periods import PeriodKind
from service.core.mass_balance import Verdict
from service.lots.statuses import Step
from service.web import Moment, Out


class JudgedOut(Out):
    """An unexplained mass: loss positive, gain negative.

    `percent` is of `of_dry_kg`: for a step its dry input of the period, for the site what was received to be recycled.
    """

    unexplained_dry_kg: str
    of_dry_kg: str
    percent: str | None
    tolerance_fraction: str
    tolerance_source: str
    verdict: Verdict
    u95_dry_kg: Annotated[str | None, Field(description="Null where it was not worked out; see remarks.")]
    is_beyond_doubt: Annotated[
        bool | None,
        Field(
            description="Null where U95 was not worked out, or where vessels, counts or moistures stated otherwise, of "
            "which no doubt is known, leave something unexplained."
        ),
    ]


class StepBalanceOut(Out):
    """opening + in + looped_in = product + by_product + waste + loss + dispatched (three) + returned + looped_out +
    estimated + unexplained + closing."""

    step: str
    words: str
    opening_dry_kg: str
    in_dry_kg: str
    looped_in_dry_kg: str
    product_dry_kg: str
    by_product_dry_kg: str
    waste_dry_kg: str
    loss_dry_kg: str
    dispatched_dry_kg: str
    dispatched_by_product_dry_kg: str
    dispatched_waste_dry_kg: str
    returned_dry_kg: str
    looped_out_dry_kg: str
    estimated_dry_kg: str
    unexplained_dry_kg: str
    closing_dry_kg: str
    yield_percent: Annotated[str | None, Field(description="Product in % of the dry input; null for a vessel.")]
    judged: JudgedOut


class MaterialBalanceOut(Out):
    """opening + received + opening_records + produced + count_found = consumed + dispatched + returned +
    count_missing + moisture_differences + closing."""

    material: str
    polymer: str | None
    opening_dry_kg: str
    received_dry_kg: str
    opening_records_dry_kg: str
    produced_dry_kg: str
    count_found_dry_kg: str
    consumed_dry_kg: str
    dispatched_dry_kg: str
    returned_dry_kg: str
    count_missing_dry_kg: str
    moisture_differences_dry_kg: str
    closing_dry_kg: str


class PartOut(Out):
    """One of the periods the period is made of."""

    label: str
    start_at: Moment
    end_at: Moment
    hours: str
    site: JudgedOut
    steps: dict[str, JudgedOut]
    yields: Annotated[dict[str, str | None], Field(description="Product in % of the dry input, by step.")]


class CarrierOut(Out):
    """A step in one of the parts, and how much of the unexplained mass it carries."""

    step: str
    words: str
    part: str
    unexplained_dry_kg: str


class RunShareOut(Out):
    """A run with what is unexplained of it in the period."""

    run_id: int
    step: Step
    in_dry_kg: str
    unexplained_dry_kg: str
    percent: str | None


class DriftAlarmOut(Out):
    """Where a running sum passed its limit, and on which side."""

    part: str
    side: Literal["loss", "gain"]


class DriftOut(Out):
    """Running sums of what a step leaves unexplained, part by part, in standard uncertainties; what the parts share
    (one scale, one moisture) is taken out first. The sums begin again after an alarm."""

    step: str
    parts: list[str]
    loss: Annotated[list[str], Field(description="The sum towards loss after each part.")]
    gain: list[str]
    slack: Annotated[str, Field(description="What each part may be off before it adds to a sum.")]
    decision: Annotated[str, Field(description="A sum above this is an alarm.")]
    run_length: Annotated[str, Field(description="Parts between false alarms on average, if nothing is wrong.")]
    run_length_at_one: Annotated[str, Field(description="Parts until a drift of one standard uncertainty is told.")]
    alarms: list[DriftAlarmOut]


class SiteBalanceOut(Out):
    """``opening + received + opening_records = dispatched (three) + returned + unlotted + estimated + unexplained +
    closing``; unexplained is the sum over steps (stock counts and vessels among them) and moisture differences."""

    site: str
    zone: str
    kind: PeriodKind
    label: str
    start_at: Moment
    end_at: Moment
    is_over: bool
    opening_dry_kg: str
    opening_lots_dry_kg: str
    opening_inside_dry_kg: Annotated[str, Field(description="In vessels, on lines, on trucks that had not left.")]
    received_dry_kg: str
    opening_records_dry_kg: str
    dispatched_dry_kg: str
    dispatched_by_product_dry_kg: str
    dispatched_waste_dry_kg: str
    returned_dry_kg: str
    unlotted_dry_kg: Annotated[str, Field(description="Weighed waste and losses that became no lot.")]
    estimated_dry_kg: str
    unexplained_dry_kg: str
    closing_dry_kg: str
    closing_lots_dry_kg: str
    closing_inside_dry_kg: str
    adds_up: bool
    judged: JudgedOut
    steps: list[StepBalanceOut]
    moisture_differences_dry_kg: str
    materials: list[MaterialBalanceOut]
    pet: Annotated[MaterialBalanceOut, Field(description="Lots of PET; what became other material was consumed.")]
    all_lots: MaterialBalanceOut
    parts: list[PartOut]
    carried_by: Annotated[list[CarrierOut], Field(description="Where the unexplained mass sits, the largest first.")]
    runs: Annotated[list[RunShareOut], Field(description="The runs with the largest unexplained masses.")]
    drift: Annotated[list[DriftOut], Field(description="By step, where the doubt of its parts could be worked out.")]
    signals: Annotated[
        list[str], Field(description="Three parts in a row on one side beyond half of the tolerance; running sums.")
    ]
    remarks: Annotated[list[str], Field(description="What is missing or not final, and what still can be said.")]
