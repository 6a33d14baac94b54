"""Labels read out of pictures: frames of the camera inside the page, and photos.

Decoding costs the server time, so both need a log-in, and frames are let in at a steady rate only.
"""

import hashlib
import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse

from service.labels.read import ImageTooLarge, NotAnImage, code_in, read_codes
from service.pages.desk import Desk, NeedsLogIn, Visitor, cookie_name
from service.pages.forms import PostedIn, sentence
from service.pages.frame import PAGE_HEADERS, page

FRAMES_PER_SECOND = 6.0
PHOTOS_PER_SECOND = 0.5
TEXT_SHOWN = 60
CODES_OFFERED = 20
"""Of one photo; a wall of bales in it is not one label."""


@dataclass(frozen=True)
class Reading:
    """What a picture says.

    Parameters
    ----------
    code : of the one lot whose label is in it; None for anything else.
    words : why there is no code, for the person; empty where there simply is nothing to read.
    """

    code: str | None
    words: str = ""


@dataclass
class Allowance:
    """How many pictures each log-in may have read: a bucket that fills up steadily and holds one second's worth.

    Parameters
    ----------
    per_second : pictures; below one the bucket still holds one.
    """

    per_second: float
    clock: Callable[[], float] = time.monotonic
    _buckets: dict[str, tuple[float, float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def room(self) -> float:
        return max(self.per_second, 1.0)

    def wait_s(self, who: str) -> float:
        """Take one picture's worth; gives 0, or after how many seconds to come again."""
        with self._lock:
            now = self.clock()
            left, since = self._buckets.get(who, (self.room, now))
            left = min(self.room, left + (now - since) * self.per_second)
            if left < 1:
                return (1 - left) / self.per_second
            self._buckets[who] = (left - 1, now)
            self._forget_full(now)
            return 0.0

    def _forget_full(self, now: float) -> None:
        """A bucket that is full again says nothing: without this there would be one for every log-in ever."""
        if len(self._buckets) > 1_000:
            filling_s = self.room / self.per_second
            self._buckets = {who: one for who, one in self._buckets.items() if now - one[1] < filling_s}


async def _body_bytes(request: Request) -> bytes:
    return await request.body()


BodyBytes = Annotated[bytes, Depends(_body_bytes)]


def add_picture_routes(routes: APIRouter) -> None:
    """Add what reads labels for the page at /scan."""
    frames, photos = Allowance(FRAMES_PER_SECOND), Allowance(PHOTOS_PER_SECOND)

    @routes.get("/scan/text")
    def get_text(text: Annotated[str, Query(max_length=4_000)] = "") -> Response:
        """What a text says that the browser itself has read from a code; costs nothing, so anybody may ask."""
        return _answer(reading_of([text] if text.strip() else []))

    @routes.post("/scan/frame")
    def post_frame(request: Request, desk: Visitor, image: BodyBytes) -> Response:
        """One frame of the camera, a JPEG."""
        if desk is None:
            return _answer(Reading(None, "Log in to use the camera here."), 401)
        if wait_s := frames.wait_s(_who(request)):
            return _answer(Reading(None), 429, wait_s)
        try:
            return _answer(reading_of(read_codes(image)))
        except (NotAnImage, ImageTooLarge) as fault:
            return _answer(Reading(None, sentence(str(fault))), 422)

    @routes.post("/scan/photo")
    def post_photo(request: Request, desk: Visitor, posted: PostedIn) -> Response:
        """A photo, sent by a plain form: on to the lot, or why not."""
        if desk is None:
            raise NeedsLogIn("/scan")
        photo = posted.uploads.get("photo")
        if photo is None:
            return photo_page(desk, 422, fault="No photo came with the form. Take or choose one first.")
        if photos.wait_s(_who(request)):
            return photo_page(desk, 429, fault="One photo after the other: wait two seconds and send it again.")
        try:
            texts = read_codes(photo.content)
        except (NotAnImage, ImageTooLarge) as refusal:
            return photo_page(desk, 422, fault=sentence(str(refusal)))
        codes = codes_in(texts)
        if len(codes) == 1:
            return RedirectResponse(f"/L/{codes[0]}", 303, PAGE_HEADERS)
        if codes:
            return photo_page(desk, 200, codes=codes)
        return photo_page(desk, 422, strange=[shortened(text) for text in texts])


def _who(request: Request) -> str:
    """Names the log-in a request comes with, without keeping its cookie."""
    return hashlib.sha256(request.cookies.get(cookie_name(request), "").encode()).hexdigest()


def _answer(reading: Reading, status: int = 200, wait_s: float = 0.0) -> Response:
    headers = PAGE_HEADERS | {"Cache-Control": "no-store"}
    if wait_s:
        headers["Retry-After"] = str(math.ceil(wait_s))
    return JSONResponse(asdict(reading), status, headers)


def codes_in(texts: Sequence[str]) -> list[str]:
    """Codes of lots among the texts of a picture, each once."""
    found = (code_in(text) for text in texts)
    return list(dict.fromkeys(code for code in found if code is not None))


def reading_of(texts: Sequence[str]) -> Reading:
    """What one frame says.

    Examples
    --------
    >>> reading_of(["HTTPS://TRACE.EXAMPLE.COM/L/Q2ZTMZMYEJ"]).code
    'Q2ZTMZMYEJ'
    >>> reading_of(["WIFI:S:yard;;"]).words
    'This code is not a label of this plant: WIFI:S:yard;;'
    """
    codes = codes_in(texts)
    if len(codes) == 1:
        return Reading(codes[0])
    if codes:
        return Reading(None, "More than one label is in the picture. Bring one closer.")
    if texts:
        return Reading(None, f"This code is not a label of this plant: {shortened(texts[0])}")
    return Reading(None)


def shortened(text: str) -> str:
    """A foreign text on one line, cut, without what could turn or hide the words around it."""
    plain = "".join(character if character.isprintable() else " " for character in text)
    plain = " ".join(plain.split())
    return plain if len(plain) <= TEXT_SHOWN else f"{plain[:TEXT_SHOWN]}…"


def photo_page(
    desk: Desk, status: int, *, fault: str = "", codes: Sequence[str] = (), strange: Sequence[str] = ()
) -> Response:
    """What a photo says where it leads to no single lot."""
    return page(
        "scan_photo.html",
        status,
        desk=desk,
        place="/scan",
        fault=fault,
        codes=codes[:CODES_OFFERED],
        strange=strange[:CODES_OFFERED],
    )
