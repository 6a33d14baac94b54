"""What comes in and goes out for balances."""

from service.core.mass_balance import Verdict
from service.lots.statuses import Direction, Step
from service.web import Body, Moment, Out


class CloseIn(Body):
    """Close a run: nothing more is expected; its balance is judged."""

    ended_at: Moment


class StreamOut(Out):
    direction: Direction
    stream: str
    dry_kg: str


class BalanceOut(Out):
    """A run's balance on dry mass. Percentages are of the dry input; loss positive, gain negative."""

    run_id: int
    step: Step
    version: int
    recorded_at: Moment
    reason: str | None
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
