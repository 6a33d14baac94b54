"""`bale-to-pellet reconcile`: any network of streams from a table, without a database."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.core.stream_table import TableStream, UnreadableTable, read_streams
from service.terminal import fail

if TYPE_CHECKING:
    from service.balances.schemas_reconciliation import ReconciliationOut

LEVEL = 0.05
FAULTS_SHOWN = 20


class ReconcileForm(StrEnum):
    TEXT = "text"
    JSON = "json"


def reconcile(
    csv: Annotated[Path, typer.Option("--csv", metavar="FILE", help="Columns stream,from_node,to_node,value_kg,u_kg.")],
    form: Annotated[ReconcileForm, typer.Option("--format", help="A sheet to read, or JSON.")] = ReconcileForm.TEXT,
) -> None:
    """Bring a network of streams into balance, test it, and say what single error would explain a misfit.

    An empty node is the world outside, an empty value is unmeasured, u_kg 0 is exact. Uncertainties are standard
    uncertainties, independent of each other. No reading is changed: the answer only suggests.
    """
    try:
        content = csv.read_bytes()
    except OSError as fault:
        fail(f"{csv} cannot be read: {fault.strerror or fault}.", "Name a file that exists and that you may read.")
    try:
        rows = read_streams(content)
    except UnreadableTable as fault:
        shown = "\n".join(map(str, fault.faults[:FAULTS_SHOWN]))
        more = len(fault.faults) - FAULTS_SHOWN
        fail(
            f"{csv} is no table of streams:\n{shown}" + (f"\nand {more} more faults" if more > 0 else ""),
            "Mend the file and ask again.",
        )
    answer = _answer(rows)
    typer.echo(answer.model_dump_json(indent=2) if form is ReconcileForm.JSON else sheet(answer))


def _answer(rows: tuple[TableStream, ...]) -> "ReconciliationOut":
    # Here and not above: the solver takes half a second to load, and every other command would wait for it.
    from service.balances.reconciliation_answer import Words, answer_of
    from service.core.reconciliation import reconcile as reconciled
    from service.core.stream_network import Stream, Unreconcilable, network_of
    from service.core.suspects import suspects_of

    try:
        network = network_of(Stream(row.name, row.from_node, row.to_node, row.quantity) for row in rows)
        result = reconciled(network)
    except Unreconcilable as fault:
        fail(f"The network cannot be reconciled: {fault}.", "Mend the table and ask again.")
    return answer_of(result, suspects_of(result, level=LEVEL), Words(), level=LEVEL)


def sheet(answer: "ReconciliationOut") -> str:
    """The answer for a person: verdict, suspects, streams."""
    lines = [answer.verdict, ""]
    if answer.suspects:
        lines.append("What single error would explain most of the misfit (a suggestion; no reading is changed):")
    for suspect in answer.suspects:
        first, *others = suspect.explanations
        mark = "*" if suspect.is_significant else " "
        lines.append(f"{suspect.rank:3d}{mark} {first.sentence} Objective left {suspect.objective_left:.2f}.")
        lines += [f"      or, which no arithmetic tells apart: {other.sentence}" for other in others]
    if answer.suspects:
        test = answer.suspect_test
        lines += [
            f"* stands out among {test.directions} errors weighed ({test.correction}, level {test.level:g}); "
            f"the smallest error seen is meant with {100 * test.power:g} % power.",
            "",
        ]
    width = max(len(stream.stream) for stream in answer.streams)
    lines.append(f"{'stream':{width}}  {'measured kg':>20}  {'reconciled kg':>20}  {'u kg':>14}  {'test':>7}  state")
    for stream in answer.streams:
        test_text = "" if stream.measurement_test is None else f"{stream.measurement_test:.2f}"
        lines.append(
            f"{stream.stream:{width}}  {stream.value_kg or '':>20}  {stream.reconciled_kg or '':>20}  "
            f"{stream.reconciled_u_kg or '':>14}  {test_text:>7}  {stream.state}"
        )
    return "\n".join([*lines, *(["", *answer.remarks] if answer.remarks else [])])
