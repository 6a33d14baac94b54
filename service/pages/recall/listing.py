"""The list of a recall as a page: totals, what to fetch, what has gone, what it became, and why it is so wide."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from fastapi import Response

from service.core.quantities import SHARE_ONE
from service.lots.statuses import LotKind, Step
from service.pages.desk import Desk
from service.pages.forms import Form, form_of
from service.pages.frame import page
from service.pages.lots.sources import percent_shown
from service.pages.recall.asking import query_of, refuse_other_plants
from service.pages.scan import kind_words
from service.recall.answer import recall_out
from service.recall.schemas import RecallAnswerOut, RecalledLotOut, SourceIn, WideOut

ROWS_SHOWN = 400  # of each table; the file has all of them
NOTHING = "0.000"
CAUSES_OFFERED = ("Supplier reports foreign matter", "Odour", "Laboratory result", "Declaration withdrawn")


@dataclass(frozen=True)
class Rows:
    """The rows of one table as far as they are shown, and how many there are."""

    shown: Sequence[RecalledLotOut]
    in_all: int

    @property
    def left_out(self) -> int:
        return self.in_all - len(self.shown)


@dataclass(frozen=True)
class Listing:
    """The list of a recall, ready to be drawn.

    Parameters
    ----------
    here : lots of which something stands in the plant, on a truck too.
    gone : lots of which something left it.
    used_up : lots that went wholly into others.
    """

    answer: RecallAnswerOut
    here: Rows
    gone: Rows
    used_up: Rows

    @property
    def is_held(self) -> bool:
        """Whether a hold reaches everything that is still here."""
        return all(row.on_hold for row in self.here.shown) and all(row.on_hold for row in self.answer.vessels)

    @property
    def is_anywhere(self) -> bool:
        """Whether anything of it is left to be found or has gone."""
        return bool(self.here.in_all or self.gone.in_all or self.answer.vessels)


def listing_of(answer: RecallAnswerOut) -> Listing:
    """Sort the rows by what has to be done about them."""
    here = [row for row in answer.lots if row.on_hand_kg != NOTHING or row.loading_kg != NOTHING]
    gone = [row for row in answer.lots if any(one.left_at is not None for one in row.departures)]
    elsewhere = {row.lot for row in (*here, *gone)}
    used_up = [row for row in answer.lots if row.lot not in elsewhere]
    return Listing(answer, *(Rows(rows[:ROWS_SHOWN], len(rows)) for rows in (here, gone, used_up)))


def list_page(desk: Desk, source: SourceIn, form: Form | None = None) -> Response:
    """Everything that may contain some of a source, now, with the forms that start a recall on it.

    Raises
    ------
    NotFound : there is no such source here.
    """
    refuse_other_plants(desk, source)
    answer = recall_out(desk.session, source)
    return page(
        "recall/list.html",
        form.status if form else 200,
        desk=desk,
        place="/recall",
        listing=listing_of(answer),
        answer=answer,
        source_fields=query_of(source),
        csv_address=f"/v1/recall.csv?{urlencode(query_of(source))}",
        start_form=form_of("start", form),
        causes=CAUSES_OFFERED,
        **words_for_lists(),
    )


def words_for_lists() -> dict[str, Any]:
    """What the templates of lists need to say things in words."""
    return {
        "lot_words": lot_words,
        "share_words": share_words,
        "wide_words": wide_words,
        "is_return": lambda step: step is Step.RETURN_TO_SUPPLIER,
        "nothing": NOTHING,
    }


def lot_words(row: RecalledLotOut) -> str:
    kind = kind_words(LotKind(row.kind))
    return f"{kind}, the source" if row.is_source else kind


def share_words(share: str | None) -> str:
    """An expected share to read.

    Examples
    --------
    >>> share_words("0.017475728155"), share_words("0.000000000001"), share_words(None)
    ('1.75 %', 'below 0.01 %', 'too small to be kept apart')
    """
    return "too small to be kept apart" if share is None else percent_shown(int(Decimal(share) * SHARE_ONE))


def wide_words(desk: Desk, wide: WideOut) -> str:
    """Why a vessel makes the list wide, by the plant's clock."""
    since = f"{desk.local(wide.since):%Y-%m-%d %H:%M}"
    if wide.until is None:
        emptied = f"was never proven empty since {since}"
    else:
        emptied = f"was not proven empty between {since} and {desk.local(wide.until):%Y-%m-%d %H:%M}"
    return f"{emptied}. {wide.basis}"
