"""HTTP of balances of a site over a period."""

from typing import Annotated, Any

from fastapi import Depends, Path, Query, Request, Response

from service.balances.period import site_balance
from service.balances.period_out import site_balance_out
from service.balances.period_sheet import balance_csv
from service.balances.schemas_period import SiteBalanceOut
from service.core.local_periods import PeriodKind
from service.plant.queries import get_site
from service.web import Id, Known, Moment, Read, router

routes = router("balances")
CSV_TYPE = "text/csv"
CSV: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The same figures, comma-separated (RFC 4180), UTF-8, decimal point.",
        "content": {CSV_TYPE: {"schema": {"type": "string"}}},
    }
}


def _balance(
    site_id: Annotated[Id, Path()],
    request: Request,
    session: Read,
    known: Known,
    from_at: Annotated[Moment, Query(alias="from", description="A moment in the period, or where it begins.")],
    period: Annotated[
        PeriodKind, Query(description="Cut by the site's own clock; 'span' goes with 'to'.")
    ] = PeriodKind.SPAN,
    to_at: Annotated[Moment | None, Query(alias="to", description="Where a span ends, not included.")] = None,
) -> SiteBalanceOut:
    """The balance asked for; both ways out show this."""
    site = get_site(session, site_id, known)
    now = request.app.state.writer.clock()
    return site_balance_out(session, site_balance(session, site, period, from_at, to_at, now=now, known=known), known)


Asked = Annotated[SiteBalanceOut, Depends(_balance)]


@routes.get("/sites/{site_id}/balance")
def get_site_balance(balance: Asked) -> SiteBalanceOut:
    """The dry-mass balance of a site over a shift, day, week, month, audit year or any other time."""
    return balance


@routes.get("/sites/{site_id}/balance.csv", response_class=Response, responses=CSV)
def get_site_balance_csv(balance: Asked) -> Response:
    """The same as a file."""
    name = f"balance-{balance.site}-{balance.start_at:%Y%m%d}-{balance.end_at:%Y%m%d}.csv"
    return Response(
        balance_csv(balance), media_type=CSV_TYPE, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )
