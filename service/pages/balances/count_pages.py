"""Pages of stock counts: count, look at the differences, approve by another person."""

from fastapi import Response

from service.core.typed_lists import split_codes
from service.counts.queries import count_out, counts_out, get_count, list_counts
from service.counts.schemas import CountApprovalIn, CountLinesIn, CountWithdrawalIn, StockCountIn
from service.counts.tables import StockCount
from service.errors import NotFound
from service.journal.tables import site_of
from service.pages.desk import Desk
from service.pages.forms import Form, Typed, form_of
from service.pages.frame import page

COUNTS_SHOWN = 40
NAMES = {"/lines": "codes", "/counted_at": "counted_at", "/place": "place"}
LINES = {
    f"/lines/{place}/{name}": "codes" if name == "lot" else name for place in range(500) for name in ("lot", "mass_kg")
}


def counts_page(desk: Desk, form: Form | None = None) -> Response:
    """The counts of the plant, and a form to begin one."""
    rows = list_counts(desk.session, desk.site.site_no)
    now = desk.local(desk.now).strftime("%Y-%m-%dT%H:%M")
    return page(
        "balances/counts.html",
        form.status if form else 200,
        desk=desk,
        place="/balance",
        form=form_of("count", form, counted_at=now, how="mass"),
        counts=counts_out(desk.session, rows[:COUNTS_SHOWN]),
        left_out=len(rows[COUNTS_SHOWN:]),
    )


def count_page(desk: Desk, count_id: int, form: Form | None = None) -> Response:
    """A count beside the book, with what may be done about it."""
    row = own_count(desk, count_id)
    out = count_out(desk.session, row)
    return page(
        "balances/count.html",
        form.status if form else 200,
        desk=desk,
        place="/balance",
        count=out,
        is_counter=row.counter_id == desk.actor_id,
        more_form=form_of("more", form, how="mass"),
        approve_form=form_of("approve", form),
        withdraw_form=form_of("withdraw", form),
    )


def own_count(desk: Desk, count_id: int) -> StockCount:
    """A count of the plant one works at.

    Raises
    ------
    NotFound : there is none, or it is another plant's.
    """
    row = get_count(desk.session, count_id)
    if site_of(row.id) != desk.site.site_no:
        raise NotFound("count-not-found", f"This plant has no stock count {count_id}.", "Choose one of its counts.")
    return row


def count_in(typed: Typed, site: str) -> StockCountIn:
    return typed.body(
        StockCountIn,
        {
            "site": site,
            "counted_at": typed.moment("counted_at"),
            "place": typed.text("place"),
            "lines": _lines(typed),
        },
    )


def more_in(typed: Typed) -> CountLinesIn:
    return typed.body(CountLinesIn, {"lines": _lines(typed)})


def approval_in(typed: Typed) -> CountApprovalIn:
    # The version stands hidden in the form; one that lacks it approves nothing.
    return typed.body(CountApprovalIn, {"version": typed.count("version") or 0, "reason": typed.text("reason")})


def withdrawal_in(typed: Typed) -> CountWithdrawalIn:
    return typed.body(CountWithdrawalIn, {"reason": typed.text("reason")})


def _lines(typed: Typed) -> list[dict[str, object]] | None:
    """The lots of a form: many that were seen, or one with its mass, or such as were not there."""
    listed = typed.read("codes", split_codes)
    codes = listed.codes if listed is not None else ()
    if listed is not None and not codes:
        typed.blame("codes", "No code stands here: scan or type the ten characters under the QR square.")
    how, mass_kg = typed.text("how"), typed.kg("mass_kg")
    if how == "mass" and mass_kg is None:
        typed.blame("mass_kg", "Give what the scale showed, or choose that it was seen and not weighed.")
    if how == "mass" and len(codes) > 1:
        typed.blame("mass_kg", f"A mass is of one lot; {len(codes)} codes were given. Count them one by one.")
    one: dict[str, object] = {"is_found": how != "missing"}
    if how == "mass" and mass_kg is not None:
        one["mass_kg"] = mass_kg
    return [{"lot": code} | one for code in codes] or None
