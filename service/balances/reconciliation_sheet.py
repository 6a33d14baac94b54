"""A reconciliation as a CSV file: one row per stream."""

import csv
import io

from service.balances.schemas_reconciliation import PlantReconciliationOut

COLUMNS = (
    "stream",
    "from_node",
    "to_node",
    "state",
    "value_kg",
    "u_kg",
    "reconciled_kg",
    "reconciled_u_kg",
    "adjustment_kg",
    "measurement_test",
)


def reconciliation_csv(answer: PlantReconciliationOut) -> str:
    """Every stream before and after; empty where nothing is known, a node is empty for the world outside.

    Lines end as RFC 4180 says. No cell holds what a spreadsheet would run as a formula: names begin with words of this
    program.
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for stream in answer.streams:
        row = stream.model_dump(mode="json")
        writer.writerow("" if row[column] is None else row[column] for column in COLUMNS)
    return target.getvalue()
