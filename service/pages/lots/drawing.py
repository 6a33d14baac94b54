"""The flow drawing of a lot's sources: the words and shares of the table beneath it, drawn."""

from markupsafe import Markup

from service.labels.tag import grouped_code
from service.pages.flow import BANDS_MAX, FlowIn, flow_picture
from service.pages.lots.sources import Part, SourceTable, percent_shown


def sources_drawn(table: SourceTable, code: str, mass: str) -> Markup:
    """One band for each delivery, or for each supplier where there would be too many; heights are shares.

    Parameters
    ----------
    code, mass : of the lot, the mass in words.
    """
    deliveries = [
        (f"{delivery.ticket_no}, {supplier.name}" if delivery.ticket_no else supplier.name, delivery)
        for supplier in table.suppliers
        for delivery in supplier.deliveries
    ]
    is_short = len(deliveries) <= BANDS_MAX and not table.left_out
    parts: list[tuple[str, Part]] = [*(deliveries if is_short else [(one.name, one) for one in table.suppliers])]
    if table.left_out is not None:
        parts.append((further_suppliers(table), table.left_out))
    bands = [FlowIn(name, part.percent, part.share_e12) for name, part in parts]
    if table.remainder.share_e12:
        rest = table.remainder
        bands.append(FlowIn(table.remainder_words, rest.percent, rest.share_e12, is_rest=True))
    lot = FlowIn(grouped_code(code), mass, table.total.share_e12)
    return Markup(flow_picture(lot, bands, weight_text=percent_shown).svg)


def further_suppliers(table: SourceTable) -> str:
    return f"{table.left_out_count} further suppliers"
