"""The page of a site's balance: a period to choose, the account, steps by part, and where to look."""

from datetime import UTC, date, datetime, time
from decimal import Decimal
from urllib.parse import urlencode

from fastapi import Response

from service.balances.period import site_balance
from service.balances.period_out import site_balance_out
from service.balances.schemas_period import SiteBalanceOut
from service.core.local_periods import PeriodKind
from service.core.mass_balance import Verdict
from service.core.quantities import grouped
from service.pages.balances.drawing import judged_in, shown_kg, unexplained_drawing, yield_drawing
from service.pages.desk import Desk
from service.pages.frame import page
from service.plant.period_settings import PeriodSettings

KINDS = (
    (PeriodKind.SHIFT.value, "Shift"),
    (PeriodKind.DAY.value, "Day"),
    (PeriodKind.WEEK.value, "Week"),
    (PeriodKind.MONTH.value, "Month"),
    (PeriodKind.AUDIT_YEAR.value, "Audit year"),
)
ACCOUNT = (
    ("opening_dry_kg", "Stood here at the beginning", ""),
    ("received_dry_kg", "Received", "+"),
    ("opening_records_dry_kg", "Found from before records began", "+"),
    ("dispatched_dry_kg", "Products dispatched", "−"),
    ("dispatched_by_product_dry_kg", "By-products dispatched", "−"),
    ("dispatched_waste_dry_kg", "Waste dispatched", "−"),
    ("returned_dry_kg", "Returned to suppliers", "−"),
    ("unlotted_dry_kg", "Weighed waste and losses that became no lot", "−"),
    ("estimated_dry_kg", "Losses by estimate", "−"),
    ("unexplained_dry_kg", "Unexplained (a loss is positive)", "−"),
    ("closing_dry_kg", "Stands here at the end", "="),
)
VERDICTS = {
    Verdict.CLOSES: "closes",
    Verdict.LOSS_ABOVE_TOLERANCE: "loses more than tolerated",
    Verdict.GAIN_ABOVE_TOLERANCE: "gains more than tolerated",
    Verdict.NOTHING_IN: "received nothing to recycle",
}


def balance_page(desk: Desk, period: str, day: str, step: str) -> Response:
    """The balance of the plant one works at.

    Parameters
    ----------
    period : kind; the month if it is none.
    day : a day in it, YYYY-MM-DD; today if it is none. A shift is named by the time behind the day: ...T14:00.
    step : whose drawing is shown; '' for the site.
    """
    kind = PeriodKind(period) if period in dict(KINDS) else PeriodKind.MONTH
    found = site_balance(desk.session, desk.site, kind, _moment(desk, day), now=desk.now)
    balance = site_balance_out(desk.session, found)
    steps = [one for one in balance.steps if any(judged_in(part, one.step) for part in balance.parts)]
    chosen = step if any(one.step == step for one in steps) else ""
    calendar = PeriodSettings(desk.session).calendar(desk.site)
    before = calendar.at(kind, datetime.fromtimestamp(found.period.start_at.timestamp() - 1, UTC))
    words = next((one.words for one in steps if one.step == chosen), "the site")
    return page(
        "balances/balance.html",
        desk=desk,
        place="/balance",
        balance=balance,
        kinds=KINDS,
        day=desk.local(found.period.start_at).date().isoformat(),
        before=_address(desk, kind, before.start_at, chosen),
        after=_address(desk, kind, found.period.end_at, chosen) if found.is_over else None,
        csv_address=csv_address(balance, desk.site.id),
        account=[(word, sign, getattr(balance, name), name) for name, word, sign in ACCOUNT],
        with_yields=[one for one in steps if one.yield_percent is not None],
        chosen=chosen,
        chosen_words=words,
        step_choices=[("", "The whole site"), *((one.step, one.words) for one in steps)],
        drawing=unexplained_drawing(balance.parts, chosen, words),
        yields=[(one.words, yield_drawing(balance.parts, one.step, one.words)) for one in steps],
        largest=largest(balance),
        shown_kg=shown_kg,
        percent_words=percent_words,
        tolerated=f"{Decimal(balance.judged.tolerance_fraction) * 100:f}".rstrip("0").rstrip("."),
        verdict_words=lambda verdict: VERDICTS[verdict],
        is_kept=lambda verdict: verdict in (Verdict.CLOSES, Verdict.NOTHING_IN),
    )


def csv_address(balance: SiteBalanceOut, site_id: int) -> str:
    """The file of the very same balance."""
    start = balance.start_at.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return f"/v1/sites/{site_id}/balance.csv?{urlencode({'period': balance.kind.value, 'from': start})}"


def largest(balance: SiteBalanceOut) -> tuple[str, str] | None:
    """The step and the part that carry most of what is unexplained, if any do."""
    if not balance.carried_by:
        return None
    first = balance.carried_by[0]
    return first.step, first.part


def percent_words(percent: str | None) -> str:
    return "–" if percent is None else f"{grouped(str(Decimal(percent)))} %"


def _address(desk: Desk, kind: PeriodKind, at: datetime, step: str) -> str:
    local = desk.local(at)
    named = local.strftime("%Y-%m-%dT%H:%M") if kind is PeriodKind.SHIFT else local.date().isoformat()
    return f"/balance?{urlencode({'period': kind.value, 'day': named} | ({'step': step} if step else {}))}"


def _moment(desk: Desk, day: str) -> datetime:
    """A moment on the day that was named, by the plant's clock; now if none was."""
    try:
        if "T" in day:
            return datetime.fromisoformat(day).replace(tzinfo=desk.zone).astimezone(UTC)
        return datetime.combine(date.fromisoformat(day), time(12), desk.zone).astimezone(UTC)
    except (ValueError, OverflowError):
        return desk.now
