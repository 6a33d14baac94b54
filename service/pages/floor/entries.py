"""From the fields of a floor form to the body of its verb. What a body may hold is decided by the body and the verb."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from pydantic import TypeAdapter, ValidationError

from service.balances.schemas import CloseIn
from service.core.typed import Unreadable, parse_typed_count
from service.core.typed_lists import TypedCodes, split_codes
from service.errors import NotFound
from service.journal.read import find_current
from service.lots.queries import get_lot, get_lot_fact
from service.lots.statuses import Amount, Category, Direction, LotKind
from service.pages.desk import Desk
from service.pages.forms import Posted, Typed
from service.plant.queries import list_current
from service.plant.tables import ContainerType, Material
from service.runs.queries import UsualOutput, usual_stream
from service.runs.schemas import DischargesIn, FeedsIn, LossesIn, RunIn, RunOut, StreamName
from service.vessels.schemas import ChargeIn, DrawIn, ProvenEmptyIn

FEEDS_MAX = 200  # of one form, as of one request
NO_CODE = "No code stands here: scan or type the ten characters under the QR square."
AMOUNTS = (
    (Amount.WHOLE.value, "All of it"),
    (Amount.MASS.value, "A part of it"),
    (Amount.REST.value, "The rest of it"),
)
_STREAM: TypeAdapter[str] = TypeAdapter(StreamName)


def run_in(typed: Typed, desk: Desk, step: str | None) -> RunIn:
    """A run to start; without a time it starts now."""
    # Pages show minutes: what is booked for the minute shown as the start must lie inside the run.
    this_minute = desk.now.replace(second=0, microsecond=0)
    return typed.body(
        RunIn,
        {
            "site": desk.site.code,
            "step": step,
            "started_at": typed.moment("started") or this_minute,
            "note": typed.text("note"),
        },
    )


def close_in(typed: Typed, now: datetime) -> CloseIn:
    """The end of a run; without a time it ends now."""
    return typed.body(CloseIn, {"ended_at": typed.moment("ended") or now})


def feed_names(typed_amount: str) -> dict[str, str]:
    """Which field shows what is wrong with a feed; what concerns one of several lots stands at the codes."""
    names = {"/feeds": "codes"}
    for place in range(FEEDS_MAX):
        names |= {f"/feeds/{place}/{given}": shown for given, shown in (("start_at", "when"), ("end_at", "until"))}
        names |= {f"/feeds/{place}/moisture_fraction": "moisture"}
    if typed_amount == Amount.MASS:
        names["/feeds/0/mass_kg"] = "mass_kg"
    return names


def feeds_in(typed: Typed, now: datetime) -> FeedsIn:
    """Everything in the field of codes, each by the same amount."""
    listed: TypedCodes | None = typed.read("codes", split_codes)
    codes = listed.codes if listed is not None else ()
    if listed is not None and not codes:
        typed.blame("codes", NO_CODE)
    amount, mass_kg = amount_of(typed)
    if mass_kg is not None and len(codes) > 1:
        typed.blame("mass_kg", f"A part in kg is of one lot; {len(codes)} codes were given. Feed them one by one.")
    one = {
        "amount": amount,
        "mass_kg": mass_kg,
        "moisture_fraction": typed.percent("moisture"),
        "start_at": typed.moment("when") or now,
        "end_at": typed.moment("until"),
        "internal_loop": typed.is_set("goes_round"),
    }
    feeds = [{"lot": code} | without_gaps(one) for code in codes]
    return typed.body(FeedsIn, {"feeds": feeds, "late_reason": typed.text("late_reason")})


def fed_words(posted: Posted) -> str:
    """What the next page says about a feed that was taken, as the query of its address."""
    listed = split_codes(posted.one("codes"))
    return f"fed={len(listed.codes)}&twice={len(listed.repeated)}"


def amount_of(typed: Typed) -> tuple[str, str | None]:
    """How much of a lot, and the kg where they are given."""
    amount, mass_kg = typed.text("amount") or Amount.WHOLE.value, typed.kg("mass_kg")
    if (amount == Amount.MASS) and typed.text("mass_kg") is None:
        typed.blame("mass_kg", "Type how many kg of it, or choose all of it or the rest.")
    elif amount != Amount.MASS and typed.text("mass_kg") is not None:
        typed.blame("mass_kg", "These kg are a part: choose 'A part of it', or leave the kg empty.")
    return amount, mass_kg


OUT_NAMES = {
    f"/discharges/0/{given}": shown
    for given, shown in {
        "kind": "kind",
        "material": "material",
        "category": "category",
        "stream": "stream",
        "mass_kg": "net_kg",
        "gross_kg": "gross_kg",
        "tares": "gross_kg",
        "pieces": "pieces",
        "moisture_fraction": "moisture",
        "start_at": "begun",
        "end_at": "done",
        "into_lot": "into_lot",
        "note": "note",
    }.items()
}


def outputs_in(
    typed: Typed, desk: Desk, usual: list[UsualOutput], category: Category, kind: LotKind | None = None
) -> DischargesIn:
    """One lot that came out, or several alike; or more into one that is being filled.

    Parameters
    ----------
    category : what it is unless the form says otherwise.
    kind : what kind of lot, where the form does not ask.
    """
    material = typed.text("material")
    kind_text = typed.text("kind") if kind is None else kind.value
    into_lot = one_code(typed, "into_lot")
    if into_lot is not None:
        kind_text, material = _of_lot(typed, desk, into_lot) or (kind_text, material)
    gross_kg, net_kg = typed.kg("gross_kg"), typed.kg("net_kg")
    if typed.text("gross_kg") and typed.text("net_kg"):
        typed.blame("net_kg", "Give the gross mass with its packaging or the net mass, not both.")
    if not typed.text("gross_kg") and not typed.text("net_kg"):
        typed.blame("gross_kg", "Fill in the gross mass, or the net mass.")
    category = next((one for one in Category if one == typed.text("category")), category)
    stream = typed.read("stream", parse_stream) or usual_stream(usual, category, material or "")
    one = {
        "kind": kind_text,
        "material": material,
        "category": Category.INTERNAL_LOOP.value if typed.is_set("goes_round") else category.value,
        "stream": stream,
        "mass_kg": net_kg,
        "gross_kg": gross_kg,
        "tares": _tares(typed, desk) if gross_kg is not None else [],
        "pieces": typed.count("pieces") if typed.text("pieces") else 1,
        "moisture_fraction": typed.percent("moisture"),
        "start_at": typed.moment("begun") or desk.now,
        "end_at": typed.moment("done"),
        "into_lot": into_lot,
        "note": typed.text("note"),
    }
    return typed.body(DischargesIn, {"discharges": [without_gaps(one)], "late_reason": typed.text("late_reason")})


def made_words(run: RunOut, posted: Posted) -> str:
    """Which lots the next page shows as just made, as the query of its address."""
    pieces = parse_typed_count(posted.one("pieces") or "1")
    lines = [line.id for line in run.lines if line.direction is Direction.OUT and line.lot is not None]
    return f"made={sorted(lines)[-pieces]}&pieces={pieces}"


def _tares(typed: Typed, desk: Desk) -> list[dict[str, Any]]:
    """The packaging of each piece: a field for every container type."""
    found = []
    for container in list_current(desk.session, ContainerType):
        pieces = typed.count(f"tare-{container.code}")
        if pieces:
            found.append({"container_type": container.code, "pieces": pieces})
    return found


def one_code(typed: Typed, name: str) -> str | None:
    """A field that takes one code, typed or scanned; None if it is empty or holds something else."""
    listed: TypedCodes | None = typed.read(name, split_codes)
    if listed is None:
        return None
    if len(listed.codes) != 1:
        typed.blame(
            name, f"One code is taken here at a time, {len(listed.codes)} were given." if listed.codes else NO_CODE
        )
    return listed.codes[0] if listed.codes else None


def _of_lot(typed: Typed, desk: Desk, code: str) -> tuple[str, str] | None:
    """Kind and material of a lot that is filled up: they are settled, so nobody is asked for them."""
    try:
        lot = get_lot(desk.session, code)
    except NotFound as fault:
        typed.blame("into_lot", f"{fault.detail} {fault.remedy}")
        return None
    material = find_current(desk.session, Material, get_lot_fact(desk.session, lot.id).material_id)
    return lot.kind.value, material.code if material is not None else ""


LOSS_NAMES = {
    f"/losses/0/{given}": shown
    for given, shown in {
        "stream": "stream",
        "category": "category",
        "mass_kg": "mass_kg",
        "moisture_fraction": "moisture",
        "fraction_of_dry_in": "percent",
        "start_at": "when",
        "end_at": "when",
        "at": "when",
    }.items()
}


def losses_in(typed: Typed, now: datetime) -> LossesIn:
    """What left without becoming a lot: weighed, or as a percentage of what went in dry."""
    if typed.text("mass_kg") and typed.text("percent"):
        typed.blame("percent", "Give the weighed kg or the estimate in percent, not both.")
    if not typed.text("mass_kg") and not typed.text("percent"):
        typed.blame("mass_kg", "Fill in the weighed kg, or the estimate in percent.")
    one = {
        "stream": typed.read("stream", parse_stream),
        "category": typed.text("category"),
        "mass_kg": typed.kg("mass_kg"),
        "moisture_fraction": typed.percent("moisture"),
        "fraction_of_dry_in": typed.percent("percent"),
        "at": typed.moment("when") or now,
    }
    return typed.body(LossesIn, {"losses": [without_gaps(one)], "late_reason": typed.text("late_reason")})


def parse_stream(text: str) -> str:
    """The name of a stream as a person writes it: 'Clear flake' is clear_flake.

    Raises
    ------
    Unreadable : it holds other signs than small letters, digits and the gap between words.

    Examples
    --------
    >>> parse_stream(" Clear flake ")
    'clear_flake'
    """
    try:
        return _STREAM.validate_python("_".join(text.lower().replace("-", " ").split()))
    except ValidationError as fault:
        shown = text if len(text) <= 40 else f"{text[:40]}…"
        raise Unreadable(
            f"expected the name of a stream in plain letters and digits, at most 48, got {shown!r}: "
            "type it such as clear_flake"
        ) from fault


CHARGE_NAMES = {"/lot": "codes", "/moisture_fraction": "moisture", "/start_at": "when", "/end_at": "until"}
DRAW_NAMES = {"/moisture_fraction": "moisture", "/start_at": "begun", "/end_at": "done"}


def charge_in(typed: Typed, now: datetime) -> ChargeIn:
    """One lot into a vessel."""
    amount, mass_kg = amount_of(typed)
    return typed.body(
        ChargeIn,
        {
            "lot": one_code(typed, "codes"),
            "amount": amount,
            "mass_kg": mass_kg,
            "moisture_fraction": typed.percent("moisture"),
            "start_at": typed.moment("when") or now,
            "end_at": typed.moment("until"),
        },
    )


def draw_in(typed: Typed, now: datetime) -> DrawIn:
    """A new lot out of a vessel."""
    return typed.body(
        DrawIn,
        {
            "kind": typed.text("kind"),
            "material": typed.text("material"),
            "category": typed.text("category"),
            "mass_kg": typed.kg("mass_kg"),
            "moisture_fraction": typed.percent("moisture"),
            "start_at": typed.moment("begun") or now,
            "end_at": typed.moment("done"),
        },
    )


def proven_empty_in(typed: Typed, now: datetime) -> ProvenEmptyIn:
    return typed.body(ProvenEmptyIn, {"at": typed.moment("at") or now, "note": typed.text("note")})


def without_gaps(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Fields that were filled in."""
    return {name: value for name, value in fields.items() if value is not None}
