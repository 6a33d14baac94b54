"""The lot record: what a paper about a pellet lot says, and the answer to issuing one."""

from service.balances.schemas import BalanceOut
from service.lineage.schemas import PartyShareOut, ShareOut
from service.lots.statuses import LotKind, Step
from service.web import Moment, Out


class RecycledOut(Out):
    """Post-consumer share of the dry mass, computed; rework counts at its inherited share. Cut down, never up.

    `claimable_percent` leaves out what unexplained gains withhold until they are explained.
    """

    post_consumer_percent: str
    claimable_percent: str
    denominator: str


class OpenStepOut(Out):
    """A step behind the lot that has no balance yet."""

    run_id: int
    step: Step


class JournalPositionOut(Out):
    """Where the journal stood when the record was made: keep it, and a rewritten journal can be told from it."""

    log_no: int
    size: int
    root: str


class LotRecord(Out):
    """Everything a lot record says. Its SHA-256 is over the RFC 8785 bytes of this object.

    `against_food_use` lists all that was recorded here against using the lot for food; an empty list is no
    release.
    """

    format: str
    issue: int
    issued_at: Moment
    issuer: str
    site: str
    lot: str
    kind: LotKind
    product: str
    made_on: str
    net_kg: str
    dry_kg: str
    moisture_fraction: str
    food_contact: str
    not_decided_here: str
    recycled: RecycledOut
    suppliers: list[PartyShareOut]
    deliveries: list[PartyShareOut]
    shares: list[ShareOut]
    remainder: str
    may_contain_lots: int | None
    why_wide: list[str]
    against_food_use: list[str]
    balances: list[BalanceOut]
    steps_without_balance: list[OpenStepOut]
    unattributed_lots: list[str]
    journal: JournalPositionOut


class PaperOut(Out):
    """An issued lot record; `sha256` is of the stored bytes, which `GET .../records/{issue}` gives back."""

    id: int
    lot: str
    issue: int
    issued_at: Moment
    sha256: str
    record: LotRecord


class RevisedBalanceOut(Out):
    """A balance that a record states in an earlier version than the one that stands now, and why it was revised."""

    run_id: int
    version_in_record: int
    version_now: int
    revised_at: Moment
    reason: str | None


class IssueOut(Out):
    """One issue of a lot record. Where `revised` is not empty it rests on revised data; its bytes stay as issued."""

    issue: int
    issued_at: Moment
    sha256: str
    revised: list[RevisedBalanceOut]
