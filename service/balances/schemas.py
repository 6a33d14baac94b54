"""What comes in and goes out for balances."""

from service.core.doubt_verdict import DoubtVerdict
from service.core.mass_balance import Verdict
from service.core.measured import CauseKind
from service.core.plausible import Plausibility
from service.lots.statuses import Direction, Step
from service.web import Body, Moment, Out, Reason


class CloseIn(Body):
    """Close a run: nothing more is expected; its balance is judged."""

    ended_at: Moment


class StreamOut(Out):
    direction: Direction
    stream: str
    dry_kg: str


class BalanceFigures(Out):
    """A run's balance on dry mass. Percentages are of the dry input; loss positive, gain negative.

    `verdict` holds the unexplained mass against the tolerance, which alone decides what is withheld; `doubt_verdict`
    against `u95_kg`, the expanded uncertainty (`coverage_factor` times the standard uncertainty) of what is
    unexplained. Balances recorded before doubt was worked out have null there.
    """

    run_id: int
    step: Step
    dry_in_kg: str
    dry_out_kg: str
    estimated_out_kg: str
    unexplained_kg: str
    unexplained_percent: str | None
    closure_percent: str | None
    tolerance_fraction: str
    tolerance_source: str
    verdict: Verdict
    sentence: str
    provisional: bool
    not_claimable_kg: str
    by_stream: list[StreamOut]
    u95_kg: str | None
    coverage_factor: str | None
    doubt_verdict: DoubtVerdict | None
    doubt_sentence: str | None


class BalanceOut(BalanceFigures):
    """A recorded version of a run's balance; `reason` says why it replaced the one before."""

    version: int
    recorded_at: Moment
    reason: str | None


class ContributionOut(Out):
    """What one kind of cause adds: its standard uncertainty, and its part of the variance."""

    kind: CauseKind
    u_kg: str
    variance_share: str


class CauseOut(Out):
    """One cause of doubt in words; `u_kg` is the standard uncertainty that it alone brings."""

    kind: CauseKind
    cause: str
    u_kg: str
    variance_share: str


class ExpectedOut(Out):
    """A stream of which the plant states what is usual; fractions of the dry input. Null where nothing is booked."""

    stream: str
    share_fraction: str | None
    u95_fraction: str | None
    usual_low_fraction: str
    usual_high_fraction: str
    plausibility: Plausibility | None
    source: str


class BalanceDetail(Out):
    """What a balance rests on and where to look.

    `remarks` name what is not as good as it should be (a scale out of calibration, a mass without a scale);
    `likely_causes` are advice of common practice, the likeliest first; `unusual` says which streams are not as usual.
    """

    contributions: list[ContributionOut]
    largest_causes: list[CauseOut]
    remarks: list[str]
    likely_causes: list[str]
    unusual: list[str]
    streams: list[ExpectedOut]


class DetailedBalanceOut(BalanceOut):
    """A recorded version with what it rests on; null for a balance recorded before doubt was worked out."""

    detail: BalanceDetail | None


class InterimBalanceOut(BalanceFigures):
    """What the balance would be of everything that had happened by `as_of`. Nothing of it is recorded."""

    as_of: Moment
    is_closed: bool
    detail: BalanceDetail


class RebalanceIn(Body):
    """Judge a closed run again, after a setting or a tare that it rests on was changed."""

    reason: Reason
