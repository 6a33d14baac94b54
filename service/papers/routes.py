"""HTTP of lot records and labels."""

from typing import Any

from fastapi import Request, Response

from service.labels.qr import scan_url
from service.labels.tag import tag_png, tag_svg
from service.lots.queries import get_lot
from service.papers.queries import get_record, records_of, tag_content
from service.papers.record import issue_lot_record
from service.papers.revised import issues_out
from service.papers.schemas import IssueOut, LotRecord, PaperOut
from service.web import Read, Write, router

routes = router("papers")


def _picture(media_type: str) -> dict[int | str, dict[str, Any]]:
    return {200: {"description": "The label.", "content": {media_type: {}}}}


@routes.post("/lots/{code}/records", status_code=201, response_model=PaperOut)
def post_record(code: str, write: Write) -> Response:
    """Issue the next lot record: computed now, stored byte for byte."""
    return write(lambda entry: issue_lot_record(entry, code))


@routes.get("/lots/{code}/records")
def get_records(code: str, session: Read) -> list[IssueOut]:
    """All issues of a lot's record, each with what it rests on that was revised since."""
    return issues_out(session, records_of(session, get_lot(session, code).id))


@routes.get("/lots/{code}/record", response_model=LotRecord)
def get_newest_record(code: str, session: Read) -> Response:
    """The newest lot record, exactly as issued."""
    paper = get_record(session, get_lot(session, code))
    return Response(paper.content, media_type=paper.media_type, headers={"X-Record-Sha256": paper.sha256})


@routes.get("/lots/{code}/records/{issue}", response_model=LotRecord)
def get_issued_record(code: str, issue: int, session: Read) -> Response:
    """One issue of a lot record, exactly as issued."""
    paper = get_record(session, get_lot(session, code), issue)
    return Response(paper.content, media_type=paper.media_type, headers={"X-Record-Sha256": paper.sha256})


@routes.get("/lots/{code}/label.svg", responses=_picture("image/svg+xml"), response_class=Response)
def get_label_svg(code: str, session: Read, request: Request) -> Response:
    """The lot's label for a browser or a printer, A6 landscape."""
    lot = get_lot(session, code)
    url = scan_url(request.app.state.settings.public_url, lot.code)
    return Response(tag_svg(tag_content(session, lot), url), media_type="image/svg+xml")


@routes.get("/lots/{code}/label.png", responses=_picture("image/png"), response_class=Response)
def get_label_png(code: str, session: Read, request: Request) -> Response:
    """The lot's label as a picture, A6 landscape at 300 dots per inch."""
    lot = get_lot(session, code)
    url = scan_url(request.app.state.settings.public_url, lot.code)
    return Response(tag_png(tag_content(session, lot), url), media_type="image/png")
