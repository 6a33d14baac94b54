"""Which issued lot records rest on a balance that has a newer version now. The bytes as issued never change."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session, col

from service.balances.tables import RunBalance
from service.journal.one_of import one_of
from service.journal.read import current, texts_of
from service.papers.schemas import IssueOut, RevisedBalanceOut
from service.papers.tables import Paper


@dataclass(frozen=True)
class IssuedBalance:
    """A balance as a record names it."""

    run_id: int
    version: int


def balances_in(paper: Paper) -> list[IssuedBalance]:
    """The balances a record states, read from its bytes."""
    stated = json.loads(paper.content).get("balances", ())
    return [IssuedBalance(int(balance["run_id"]), int(balance["version"])) for balance in stated]


def issues_out(session: Session, papers: Sequence[Paper]) -> list[IssueOut]:
    """Issued records, each with the balances that were revised since it was issued."""
    named = {paper.id: balances_in(paper) for paper in papers}
    runs = {balance.run_id for balances in named.values() for balance in balances}
    newest: dict[int, RunBalance] = {}
    if runs:
        query = current(RunBalance).where(one_of(col(RunBalance.process_id), "wanted"))
        newest = {row.process_id: row for row in session.execute(query, {"wanted": sorted(runs)}).scalars()}
    reasons = texts_of(session, {row.reason_id for row in newest.values() if row.reason_id is not None})
    return [
        IssueOut(
            issue=paper.issue_no,
            issued_at=paper.issued_at,
            sha256=paper.sha256,
            revised=[
                RevisedBalanceOut(
                    run_id=stated.run_id,
                    version_in_record=stated.version,
                    version_now=newest[stated.run_id].version,
                    revised_at=newest[stated.run_id].recorded_at,
                    reason=reasons.get(newest[stated.run_id].reason_id or 0),
                )
                for stated in named[paper.id]
                if stated.run_id in newest and newest[stated.run_id].version > stated.version
            ],
        )
        for paper in papers
    ]
