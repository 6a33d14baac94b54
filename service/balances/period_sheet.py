"""The balance of a period as a file and as a sheet of text: the same figures as the interface gives."""

import csv
import io
from collections.abc import Iterator

from service.balances.schemas_period import JudgedOut, SiteBalanceOut
from service.core.quantities import dry_kg_rounded, grouped

COLUMNS = (
    "account",
    "name",
    "part",
    "entry",
    "dry_kg",
    "percent",
    "of_dry_kg",
    "tolerance_fraction",
    "u95_dry_kg",
    "verdict",
)
SITE_ENTRIES = (
    "opening", "received", "opening_records", "dispatched", "dispatched_by_product", "dispatched_waste", "returned",
    "unlotted", "estimated", "unexplained", "closing",
)  # fmt: skip
SHEET_WORDS = (
    ("opening", "Stood here at the beginning"),
    ("received", "+ received"),
    ("opening_records", "+ found before records began"),
    ("dispatched", "- products dispatched"),
    ("dispatched_by_product", "- by-products dispatched"),
    ("dispatched_waste", "- waste dispatched"),
    ("returned", "- returned to suppliers"),
    ("unlotted", "- weighed waste and losses"),
    ("estimated", "- estimated losses"),
    ("unexplained", "- unexplained (loss positive)"),
    ("closing", "= stands here at the end"),
)


def balance_csv(balance: SiteBalanceOut) -> str:
    """One row per figure; lines end as RFC 4180 says."""
    target = io.StringIO()
    writer = csv.DictWriter(target, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in _rows(balance):
        writer.writerow(row)
    return target.getvalue()


def _rows(balance: SiteBalanceOut) -> Iterator[dict[str, str]]:
    masses = balance.model_dump()
    for entry in SITE_ENTRIES:
        row = {"account": "site", "name": balance.site, "entry": entry, "dry_kg": masses[f"{entry}_dry_kg"]}
        yield row | (_judged(balance.judged) if entry == "unexplained" else {})
    for step in balance.steps:
        for field, value in step.model_dump().items():
            if field.endswith("_dry_kg"):
                entry = field.removesuffix("_dry_kg")
                row = {"account": "step", "name": step.step, "entry": entry, "dry_kg": value}
                yield row | (_judged(step.judged) if entry == "unexplained" else {})
    for material in (*balance.materials, balance.pet, balance.all_lots):
        for field, value in material.model_dump().items():
            if field.endswith("_dry_kg"):
                name = material.material
                yield {"account": "lots", "name": name, "entry": field.removesuffix("_dry_kg"), "dry_kg": value}
    for part in balance.parts:
        named = [("site", balance.site, part.site), *(("step", name, one) for name, one in part.steps.items())]
        for account, name, judged in named:
            row = {"account": account, "name": name, "part": part.label, "entry": "unexplained"}
            yield row | {"dry_kg": judged.unexplained_dry_kg} | _judged(judged)


def _judged(judged: JudgedOut) -> dict[str, str]:
    return {
        "percent": judged.percent or "",
        "of_dry_kg": judged.of_dry_kg,
        "tolerance_fraction": judged.tolerance_fraction,
        "u95_dry_kg": judged.u95_dry_kg or "",
        "verdict": judged.verdict.value,
    }


def balance_sheet(balance: SiteBalanceOut) -> str:
    """A sheet to read: kilograms with three decimals; the file and the interface have every digit."""
    masses = balance.model_dump()
    lines = [
        f"Balance of {balance.site}, {balance.label} ({balance.zone})",
        f"{balance.start_at.isoformat()} to {balance.end_at.isoformat()}, kg dry",
        "",
        *(f"{words:<34}{_shown(masses[f'{entry}_dry_kg']):>24}" for entry, words in SHEET_WORDS),
        "",
        f"Unexplained: {balance.judged.percent or 'no'} % of {_shown(balance.judged.of_dry_kg)} kg dry received to be "
        f"recycled; tolerance {balance.judged.tolerance_fraction}: {balance.judged.verdict.value.replace('_', ' ')}",
        "",
        "Steps: dry in, unexplained, % of dry in, U95",
    ]
    for step in balance.steps:
        judged = step.judged
        lines.append(
            f"  {step.words:<24}{_shown(step.in_dry_kg):>22}{_shown(step.unexplained_dry_kg):>22}"
            f"{judged.percent or '-':>9}  {_shown(judged.u95_dry_kg) if judged.u95_dry_kg else '-'}"
        )
    lines += ["", "Where it sits"]
    lines += [f"  {one.words}, {one.part}: {_shown(one.unexplained_dry_kg)}" for one in balance.carried_by]
    lines += ["", *balance.signals, *balance.remarks]
    return "\n".join(lines)


def _shown(dry_kg: str) -> str:
    return grouped(dry_kg_rounded(dry_kg))
