"""The tickets of the plant somebody works at; another plant's are under its own desk, in its own time."""

from service.errors import NotFound
from service.journal.tables import site_of
from service.pages.desk import Desk
from service.weighbridge.queries import get_delivery
from service.weighbridge.tables import Delivery


def own_delivery(desk: Desk, delivery_id: int) -> Delivery:
    """A delivery of this plant.

    Raises
    ------
    NotFound : there is none under this number, or it came to another plant.
    """
    delivery = get_delivery(desk.session, delivery_id)
    if site_of(delivery_id) != desk.site.site_no:
        raise NotFound(
            "ticket-of-another-plant",
            f"Ticket {delivery.ticket_no} under this address is one of another plant.",
            "Change the plant at the top of the page, then open it again.",
        )
    return delivery
