"""The photo of a remark, for people who are logged in."""

from fastapi.responses import Response

from service.pages.desk import AtDesk, PathId, page_router
from service.pages.frame import PAGE_HEADERS
from service.pages.gate.own import own_delivery
from service.weighbridge.photo import MEDIA_TYPE
from service.weighbridge.remarks import get_photo as photo_of

routes = page_router()


@routes.get("/gate/tickets/{delivery_id}/remarks/{remark_id}/photo")
def get_photo(desk: AtDesk, delivery_id: PathId, remark_id: PathId) -> Response:
    """The photo as it is kept."""
    own_delivery(desk, delivery_id)
    photo = photo_of(desk.session, delivery_id, remark_id)
    return Response(photo, media_type=MEDIA_TYPE, headers=PAGE_HEADERS | {"Cache-Control": "no-store"})
