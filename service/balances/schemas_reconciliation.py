"""What a reconciliation answers: masses as decimal strings of kilograms, statistics as numbers."""

from datetime import datetime

from pydantic import Field

from service.core.suspect_kinds import Identifiability, StreamState, SuspectKind
from service.web import Out


class GlobalTestOut(Out):
    """Chi-squared test of the objective."""

    level: float
    critical_value: float
    p_value: float
    fails: bool


class ReconciledStreamOut(Out):
    """One stream before and after.

    `measurement_test` is the adjustment over its standard deviation; null where no other reading checks the stream.
    `reconciled_u_kg` is null where the mass is undetermined, or the network too large for the doubt of every stream.
    """

    stream: str
    from_node: str | None
    to_node: str | None
    state: StreamState
    value_kg: str | None
    u_kg: str | None
    reconciled_kg: str | None
    reconciled_u_kg: str | None
    adjustment_kg: str | None
    measurement_test: float | None


class NodeTestOut(Out):
    """One balance: nodes joined by unmeasured streams are balanced together. Positive: more went in than came out."""

    nodes: list[str]
    imbalance_kg: str
    u_kg: str
    nodal_test: float


class ExplanationOut(Out):
    """One error that would explain the misfit.

    Sizes are kilograms for a reading and for something unbooked. For a shared cause they are multiples of its own
    standard uncertainty, and `size_percent` says them in per cent where its size is known as a fraction.
    """

    kind: SuspectKind
    stream: str | None
    nodes: list[str]
    cause: str | None
    size_kg: str | None
    size_in_u: float | None
    size_percent: float | None
    u_kg: str | None
    u_in_u: float | None
    smallest_visible_kg: str | None
    smallest_visible_in_u: float | None
    identifiability: Identifiability
    sentence: str


class SuspectOut(Out):
    """Explanations the readings cannot tell apart, the likeliest to be looked at first.

    `statistic` is by how much the objective falls if the error is granted; `is_significant` allows for every error that
    was weighed (Sidak).
    """

    rank: int
    statistic: float
    objective_left: float
    p_left: float
    is_significant: bool
    explanations: list[ExplanationOut]


class SuspectTestOut(Out):
    """The test suspects were put to."""

    correction: str
    level: float
    single_level: float
    directions: int
    critical_value: float
    power: float


class ReconciliationOut(Out):
    """A network brought into balance. Nothing is changed by asking; every suspect is a suggestion."""

    objective: float
    degrees_of_freedom: int
    global_test: GlobalTestOut
    verdict: str
    suspects: list[SuspectOut]
    suspect_test: SuspectTestOut
    streams: list[ReconciledStreamOut]
    nodes: list[NodeTestOut]
    remarks: list[str]


class PlantReconciliationOut(ReconciliationOut):
    """The reconciliation of a site's period.

    Streams of trucks' own checks are wet material mass, all others dry mass. `processes` and `trucks` are how many took
    part.
    """

    site: str
    from_at: datetime = Field(serialization_alias="from")
    to_at: datetime = Field(serialization_alias="to")
    processes: int
    trucks: int
