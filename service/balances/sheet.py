"""The balances of a run as a CSV file: the figures of the answer, one per row."""

import csv
import io
from collections.abc import Iterable, Iterator

from service.balances.schemas import DetailedBalanceOut

COLUMNS = ("version", "recorded_at", "row", "name", "kg", "fraction", "text")
FIGURES = ("dry_in_kg", "dry_out_kg", "estimated_out_kg", "unexplained_kg", "u95_kg", "not_claimable_kg")


def balances_csv(balances: Iterable[DetailedBalanceOut]) -> str:
    """Every version, its figures, verdicts, streams and causes of doubt.

    Lines end as RFC 4180 says. No cell holds what a spreadsheet would run as a formula: names and sentences begin with
    words of this program or names that begin with a letter.
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for balance in balances:
        recorded_at = balance.model_dump(mode="json")["recorded_at"]
        writer.writerows((balance.version, recorded_at, *row) for row in _rows(balance))
    return target.getvalue()


def _rows(balance: DetailedBalanceOut) -> Iterator[tuple[str, str, str, str, str]]:
    for name in FIGURES:
        yield "figure", name, getattr(balance, name) or "", "", ""
    yield "figure", "tolerance", "", balance.tolerance_fraction, f"Source: {balance.tolerance_source}"
    yield "figure", "coverage_factor", "", "", balance.coverage_factor or ""
    yield "verdict", balance.verdict.value, "", "", balance.sentence
    if balance.doubt_verdict is not None:
        yield "verdict", balance.doubt_verdict.value, "", "", balance.doubt_sentence or ""
    for stream in balance.by_stream:
        yield f"stream_{stream.direction}", stream.stream, stream.dry_kg, "", ""
    if balance.detail is None:
        return
    for part in balance.detail.contributions:
        yield "doubt_by_kind", part.kind.value, part.u_kg, part.variance_share, "Standard uncertainty, k = 1"
    for cause in balance.detail.largest_causes:
        yield "doubt_by_cause", cause.kind.value, cause.u_kg, cause.variance_share, f"Cause: {cause.cause}"
    for words in balance.detail.remarks:
        yield "remark", "", "", "", f"Remark: {words}"
    for words in balance.detail.likely_causes:
        yield "likely_cause", "", "", "", words
    for words in balance.detail.unusual:
        yield "unusual", "", "", "", words
