"""The page of a recall: its clock, the list it began with, and the search for what is on it."""

from datetime import UTC
from urllib.parse import urlencode

from fastapi import Response

from service.core.typed_lists import TypedCodes, split_codes
from service.errors import NotFound
from service.journal.tables import site_of
from service.lots.statuses import HoldSubject
from service.pages.desk import Desk
from service.pages.floor.words import for_people
from service.pages.forms import Form, Typed, form_of
from service.pages.frame import page
from service.pages.recall.asking import list_address, query_of
from service.pages.recall.listing import listing_of, words_for_lists
from service.recall.queries import get_recall, recall_detail, whole_seconds
from service.recall.schemas import FoundIn, RecallOut, SourceIn
from service.recall.statuses import FindingHow
from service.recall.tables import Recall

FOUND_MAX = 200  # of one form, as of one request
NO_CODE = "No code stands here: scan or type the ten characters under the QR square."
HOW = ((FindingHow.SCANNED.value, "Scanned"), (FindingHow.SEEN.value, "Seen, code typed"))
SHOWN_MISSING = 400


def own_recall(desk: Desk, recall_id: int) -> Recall:
    """A recall of the plant one works at, or of a supplier, which concerns all plants.

    Raises
    ------
    NotFound : there is none, or it is another plant's.
    """
    recall = get_recall(desk.session, recall_id)
    if site_of(recall.id) not in (0, desk.site.site_no):
        raise NotFound("recall-not-found", f"This plant has no recall {recall_id}.", "Choose one on the recall page.")
    return recall


def recall_page(desk: Desk, recall_id: int, form: Form | None = None, *, place: str = "") -> Response:
    """A recall with the form that was refused, if one was.

    Parameters
    ----------
    place : where the last one was found: who goes round finds the next one there too.
    """
    form = form and for_people(form, desk)
    out = recall_detail(desk.session, own_recall(desk, recall_id))
    end = out.closed_at or desk.now
    corrections = {row.id: form_of(finding_form(row.id), form) for row in out.search.found}
    return page(
        "recall/recall.html",
        form.status if form else 200,
        desk=desk,
        place="/recall",
        recall=out,
        listing=listing_of(out.affected),
        answer=out.affected,
        seconds=max(0, whole_seconds(end - out.started_at)),
        duration_words=duration_words,
        missing=out.search.missing[:SHOWN_MISSING],
        missing_left_out=len(out.search.missing[SHOWN_MISSING:]),
        vessels_missing=any(row.vessel_id is not None for row in out.search.missing),
        vessel_options=[(str(row.vessel_id), row.name) for row in out.affected.vessels],
        csv_address=csv_address_at_start(out),
        found_form=form_of("found", form, place=place, how=FindingHow.SCANNED.value),
        vessel_form=form_of("vessel", form),
        close_form=form_of("close", form),
        corrections=corrections,
        how=HOW,
        now_address=now_address(out),
        **words_for_lists(),
    )


def finding_form(finding_id: int) -> str:
    """Name of the form that withdraws a finding: a page has one for each."""
    return f"finding-{finding_id}"


def csv_address_at_start(recall: RecallOut) -> str:
    """The file of the list as known when the recall began."""
    began = urlencode({"known_at": recall.started_at.astimezone(UTC).isoformat()})
    return f"/v1/recall.csv?{urlencode(query_of(_source_of(recall)))}&{began}"


def now_address(recall: RecallOut) -> str:
    """The list of the same source as it is now."""
    return list_address(_source_of(recall))


def _source_of(recall: RecallOut) -> SourceIn:
    source = recall.affected.source
    given: dict[str, object] = {
        "from": source.from_at,
        "to": source.to_at,
        "suspect_discharge": source.suspect_discharge,
    }
    match source.kind:
        case HoldSubject.LOT:
            given["lot"] = source.code
        case HoldSubject.DELIVERY:
            given["delivery_id"] = source.id
        case HoldSubject.PARTNER:
            given["partner"] = source.code
        case HoldSubject.VESSEL:
            given["vessel_id"] = source.id
    return SourceIn.model_validate({name: value for name, value in given.items() if value})


def duration_words(seconds: int) -> str:
    """How long something took.

    Examples
    --------
    >>> duration_words(42), duration_words(2520), duration_words(7384)
    ('42 s', '42 min 0 s', '2 h 3 min 4 s')
    """
    hours, rest = divmod(seconds, 3600)
    minutes, left = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min {left} s"
    return f"{minutes} min {left} s" if minutes else f"{left} s"


def found_in(typed: Typed) -> FoundIn:
    """Lots found, by everything in the field of codes."""
    listed: TypedCodes | None = typed.read("codes", split_codes)
    codes = listed.codes if listed is not None else ()
    if listed is not None and not codes:
        typed.blame("codes", NO_CODE)
    mass_kg = typed.kg("mass_kg")
    if mass_kg is not None and len(codes) > 1:
        typed.blame("mass_kg", f"A mass is of one lot; {len(codes)} codes were given. Record them one by one.")
    one = {"mass_kg": mass_kg, "how": typed.text("how"), "place": typed.text("place")}
    stated = {name: value for name, value in one.items() if value is not None}
    return typed.body(FoundIn, {"found": [{"lot": code} | stated for code in codes] or None})


def found_names(codes: int = FOUND_MAX) -> dict[str, str]:
    """Which field shows what is wrong with something found."""
    names = {"/found": "codes"}
    for place in range(codes):
        names |= {f"/found/{place}/{given}": given for given in ("mass_kg", "how", "place")}
    return names


def vessel_found_in(typed: Typed) -> FoundIn:
    """The content of a vessel, seen."""
    number = typed.text("vessel") or ""
    stated = {
        "vessel_id": int(number) if number.isascii() and number.isdecimal() else None,
        "mass_kg": typed.kg("content_kg"),
        "how": FindingHow.SEEN.value,
    }
    return typed.body(FoundIn, {"found": [{name: value for name, value in stated.items() if value is not None}]})


VESSEL_NAMES = {"/found": "vessel", "/found/0/vessel_id": "vessel", "/found/0/mass_kg": "content_kg"}
