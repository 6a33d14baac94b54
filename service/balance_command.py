"""The command that prints the balance of a site over a period."""

from enum import StrEnum
from typing import Annotated

import typer

from service.balances.period import site_balance
from service.balances.period_out import site_balance_out
from service.balances.period_sheet import balance_csv, balance_sheet
from service.core.local_periods import PeriodKind
from service.journal.read import known_at
from service.plant.queries import get_by_code
from service.plant.tables import Site
from service.terminal import moment_of, opened_database
from service.unit_of_work import system_clock


class BalanceForm(StrEnum):
    TEXT = "text"
    JSON = "json"
    CSV = "csv"


def balance(
    site: Annotated[str, typer.Option(metavar="CODE", help="The site, by its code.")],
    begin: Annotated[str, typer.Option("--from", help="A moment in the period: RFC 3339 time with its offset.")],
    period: Annotated[
        PeriodKind, typer.Option("--period", help="Cut by the site's own clock; 'span' goes with --to.")
    ] = PeriodKind.SPAN,
    end: Annotated[str | None, typer.Option("--to", help="Where a span ends; not included.")] = None,
    form: Annotated[
        BalanceForm, typer.Option("--format", help="A sheet to read, JSON, or a table.")
    ] = BalanceForm.TEXT,
    known: Annotated[
        str | None, typer.Option("--known-at", help="As it was known then: RFC 3339 time with its offset.")
    ] = None,
) -> None:
    """Close a period of a site on dry mass: what stood there, came, left, stands there, and what nothing explains."""
    from_at, to_at = moment_of(begin, "--from"), None if end is None else moment_of(end, "--to")
    moment = None if known is None else moment_of(known)
    with opened_database() as database, database.read() as session:
        knowledge = None if moment is None else known_at(session, moment)
        found = site_balance(
            session, get_by_code(session, Site, site), period, from_at, to_at, now=system_clock(), known=knowledge
        )
        answer = site_balance_out(session, found, knowledge)
    match form:
        case BalanceForm.TEXT:
            typer.echo(balance_sheet(answer))
        case BalanceForm.JSON:
            typer.echo(answer.model_dump_json(indent=2))
        case BalanceForm.CSV:
            typer.echo(balance_csv(answer), nl=False)
