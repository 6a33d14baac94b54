"""Closing a run, and the new versions of its balance when a fact it rests on is corrected later."""

from typing import Any

from service.balances.compute import ComputedBalance, compute_balance, tolerance_of
from service.balances.queries import detailed_balance_out, find_balance
from service.balances.schemas import CloseIn, DetailedBalanceOut, RebalanceIn
from service.balances.tables import RunBalance
from service.balances.touched import runs_touched
from service.core.doubt_verdict import judge
from service.core.quantities import kg_text, parse_fraction, percent_half_up
from service.errors import Conflict, Findings, NotFound, Unacceptable
from service.journal.entry import Entry
from service.journal.read import find_current
from service.journal.tables import site_of
from service.lots.lines import Span, check_span
from service.lots.queries import get_process, lines_of_process
from service.lots.statuses import Category, Direction, Step
from service.lots.stock import line_masses
from service.lots.tables import Line, Process
from service.plant.tables import Setting
from service.runs.record import open_run

PACKING_STEPS = frozenset({Step.PACKING, Step.SPLIT})


def close_run(entry: Entry, run_id: int, close: CloseIn) -> DetailedBalanceOut:
    """Close a run with its verdict, whatever the verdict is; only packing more than there is is refused.

    Raises
    ------
    Conflict : the run is closed already.
    Unacceptable : a line lies outside the run, or containers weigh more than the lot packed into them.
    """
    run = open_run(entry, run_id, "run_closed", close.ended_at, "closing")
    if run.is_closed:
        raise Conflict("run-closed", f"Run {run_id} is closed.", "Book late entries with late_reason instead.")
    findings = Findings()
    ended = Process(**(run.model_dump() | {"ended_at": close.ended_at}))
    check_span(findings, entry, run, Span(run.started_at, close.ended_at), "")
    for line in lines_of_process(entry.session, run_id):
        check_span(findings, entry, ended, Span(line.start_at, line.end_at), "")
    findings.refuse_if_any(Unacceptable, code="close-refused", detail="The run cannot end then; nothing was recorded.")
    tolerance = tolerance_of(entry.session, run)
    if run.step in PACKING_STEPS:
        refuse_overfilled(entry, run, tolerance)
    closed = entry.revise(run, "run closed", ended_at=close.ended_at, is_closed=True)
    computed = compute_balance(entry.session, closed, tolerance)
    row = RunBalance(id=entry.new_id("balance"), process_id=run_id, **figures(computed))
    row.effective_at = close.ended_at
    return detailed_balance_out(entry.session, entry.add(row), computed)


def judge_again(entry: Entry, run_id: int, body: RebalanceIn) -> DetailedBalanceOut:
    """Work out a closed run's balance anew, where settings or listed tares it rests on were changed since.

    Those belong to all sites, so their own entry cannot touch what one site recorded.

    Raises
    ------
    NotFound : no such run, or it has no balance yet.
    Conflict : nothing that the balance rests on has changed.
    """
    entry.open(site_of(run_id), "balance_judged_again")
    process = get_process(entry.session, run_id)
    earlier = find_balance(entry.session, run_id)
    if earlier is None:
        raise NotFound("balance-not-found", f"Run {run_id} has no balance.", "Close the run first.")
    computed = compute_balance(entry.session, process, tolerance_of(entry.session, process))
    if computed.inputs_hash == earlier.inputs_hash:
        raise Conflict("balance-unchanged", "Nothing that this balance rests on has changed.", "Nothing is left to do.")
    return detailed_balance_out(entry.session, entry.revise(earlier, body.reason, **figures(computed)), computed)


def refuse_overfilled(entry: Entry, run: Process, tolerance: Setting) -> None:
    """Containers cannot hold more than was packed: a forgotten tare is caught here, on wet mass."""
    lines = [
        line
        for line in lines_of_process(entry.session, run.id)
        if line.lot_id is not None and line.category not in (Category.TIES, Category.INTERNAL_LOOP)
    ]
    masses = line_masses(entry.session, lines)
    fed_g = sum(masses[line.id] for line in lines if line.direction is Direction.IN)
    packed_g = sum(masses[line.id] for line in lines if line.direction is Direction.OUT)
    excess_g = packed_g - fed_g
    if excess_g * 10**6 <= parse_fraction(tolerance.value) * fed_g:
        return
    findings = Findings()
    percent = f" ({percent_half_up(packed_g, fed_g, 1)} %)" if fed_g else ""
    findings.add(
        "",
        f"containers of {kg_text(packed_g)} kg against {kg_text(fed_g)} kg packed: {kg_text(excess_g)} kg too "
        f"much{percent}",
        "Look for a tare that was forgotten (pallet, box) or a container booked twice, and correct its line.",
    )
    findings.refuse_if_any(
        Unacceptable,
        code="containers-exceed-lot",
        detail="More was packed than there was; nothing was recorded.",
    )


def figures(computed: ComputedBalance) -> dict[str, Any]:
    """The columns of a balance row."""
    balance = computed.balance
    judged = None if computed.doubt is None else judge(computed.doubt.unexplained)
    return {
        "inputs_hash": computed.inputs_hash,
        "dry_in_ug": balance.dry_in_ug,
        "dry_out_ug": balance.dry_out_ug,
        "estimated_out_ug": balance.estimated_dry_out_ug,
        "unexplained_ug": balance.unexplained_ug,
        "not_claimable_ug": balance.not_claimable_ug,
        "tolerance_id": computed.tolerance.id,
        "tolerance_ppm": balance.tolerance_ppm,
        "verdict": balance.verdict,
        "provisional": computed.provisional,
        "u95_ug": None if judged is None else judged.u95_ug,
        "coverage_ppm": None if judged is None else judged.coverage_ppm,
        "doubt_verdict": None if judged is None else judged.verdict,
    }


def revise_balances(entry: Entry) -> None:
    """Follow-up of every write: closed runs whose balance rests on what it changed get a new version."""
    for process_id in sorted(runs_touched(entry)):
        earlier = find_balance(entry.session, process_id)
        process = find_current(entry.session, Process, process_id)
        if earlier is None or process is None:
            continue
        tolerance = tolerance_of(entry.session, process)
        if process.step in PACKING_STEPS and any(
            isinstance(row, Line) and row.process_id == process_id for row in entry.rows
        ):
            refuse_overfilled(entry, process, tolerance)
        computed = compute_balance(entry.session, process, tolerance)
        if computed.inputs_hash != earlier.inputs_hash:
            entry.revise(earlier, f"follows from {entry.kind.replace('_', ' ')}", **figures(computed))
