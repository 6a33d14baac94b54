"""The list of a recall as a CSV file, and as a sheet for a terminal. Both say what the service answers."""

import csv
import io
from collections.abc import Iterator
from decimal import Decimal

from service.core.quantities import SHARE_ONE, percent_half_up
from service.db import utc_text
from service.papers.trace_sheet import NOT_DECIDED_HERE, table
from service.recall.schemas import RecallAnswerOut

COLUMNS = (
    "row",
    "code",
    "kind",
    "material",
    "mass_kg",
    "on_site_kg",
    "loading_kg",
    "shipped_kg",
    "returned_kg",
    "used_up_kg",
    "share",
    "expected_kg",
    "on_hold",
    "run",
    "left_at",
    "note",
)
# A cell that begins so is run as a formula by common spreadsheets. Source: OWASP, "CSV Injection".
RUN_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def recall_csv(answer: RecallAnswerOut) -> str:
    """One row per lot, one per departure of a lot, one per vessel.

    Lines end as RFC 4180 says. A text that a spreadsheet would run as a formula gets an apostrophe before it.
    """
    target = io.StringIO()
    writer = csv.DictWriter(target, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in _rows(answer):
        writer.writerow({name: as_text(value) for name, value in row.items()})
    return target.getvalue()


def as_text(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> as_text("=1+1"), as_text("truck 7")
    ("'=1+1", 'truck 7')
    """
    return f"'{cell}" if cell.startswith(RUN_AS_FORMULA) else cell


def _rows(answer: RecallAnswerOut) -> Iterator[dict[str, str]]:
    for lot in answer.lots:
        yield {
            "row": "source" if lot.is_source else "lot",
            "code": lot.lot,
            "kind": lot.kind.value,
            "material": lot.material,
            "mass_kg": lot.mass_kg or "",
            "on_site_kg": lot.on_hand_kg,
            "loading_kg": lot.loading_kg,
            "shipped_kg": lot.shipped_kg,
            "returned_kg": lot.returned_kg,
            "used_up_kg": lot.used_up_kg,
            "share": lot.share or "",
            "expected_kg": lot.expected_kg,
            "on_hold": "yes" if lot.on_hold else "no",
        }
        for gone in lot.departures:
            yield {
                "row": "departure",
                "code": lot.lot,
                "kind": gone.step.value,
                "mass_kg": gone.mass_kg,
                "run": str(gone.run),
                "left_at": "" if gone.left_at is None else utc_text(gone.left_at),
                "note": gone.note or "",
            }
    for vessel in answer.vessels:
        yield {
            "row": "vessel",
            "code": vessel.vessel,
            "material": vessel.name,
            "mass_kg": vessel.content_kg,
            "on_site_kg": vessel.content_kg,
            "share": vessel.share,
            "expected_kg": vessel.expected_kg,
            "on_hold": "yes" if vessel.on_hold else "no",
        }


def recall_sheet(answer: RecallAnswerOut) -> str:
    """The list for a person at a terminal: totals first, then lots, departures, vessels, and why it is wide."""
    totals = answer.totals
    lots = [
        (
            lot.lot,
            "source" if lot.is_source else lot.kind.value,
            lot.mass_kg or "-",
            lot.on_hand_kg,
            lot.loading_kg,
            lot.shipped_kg,
            percent_text(lot.share),
            "yes" if lot.on_hold else "NO",
        )
        for lot in answer.lots
    ]
    gone = [
        (lot.lot, str(one.run), utc_text(one.left_at) if one.left_at else "still loading", one.mass_kg, one.note or "-")
        for lot in answer.lots
        for one in lot.departures
    ]
    vessels = [
        (one.vessel, one.content_kg, percent_text(one.share), "yes" if one.on_hold else "NO") for one in answer.vessels
    ]
    return "\n".join(
        [
            f"{answer.source.name}: {totals.lots} lots may contain some of it, {totals.lots_here} of them here.",
            f"Complete {totals.complete_kg} kg, of which expected {totals.expected_kg} kg.",
            f"On site {totals.on_site_kg} kg, in vessels {totals.in_vessels_kg} kg, on a truck {totals.loading_kg} kg, "
            f"shipped {totals.shipped_kg} kg, sent back {totals.returned_kg} kg.",
            NOT_DECIDED_HERE,
            "",
            *table(("lot", "kind", "kg", "on site", "on a truck", "shipped", "expected", "on hold"), lots),
            "",
            *table(("lot", "run", "left", "kg", "note"), gone),
            "",
            *table(("vessel", "kg", "expected", "on hold"), vessels),
            "",
            *(wide.words for wide in answer.why_wide),
            *answer.not_recorded,
        ]
    )


def percent_text(share: str | None) -> str:
    """A share as per cent; one too small to be kept apart is no zero.

    Examples
    --------
    >>> percent_text("0.017475728155"), percent_text(None)
    ('1.75 %', 'under the cut-off')
    """
    if share is None:
        return "under the cut-off"
    share_e12 = int(Decimal(share) * SHARE_ONE)
    percent = percent_half_up(share_e12, SHARE_ONE)
    return f"{percent} %" if percent or not share_e12 else "under 0.01 %"
