"""What comes in when somebody notices something about a load."""

from typing import Annotated, Self

from pydantic import Base64Bytes, Field, model_validator

from service.web import Body, LotCode, Moment, fault_in
from service.weighbridge.statuses import RemarkKind

Note = Annotated[str, Field(min_length=1, max_length=400, description="In words; kept apart, erasable.")]


class RemarkIn(Body):
    """What somebody noticed about a load, or about one bale of it."""

    kind: RemarkKind
    lot: LotCode | None = Field(default=None, description="The bale it is about; the whole load if left out.")
    note: Note | None = None
    noticed_at: Moment | None = Field(default=None, description="Now, if left out.")
    photo_base64: Annotated[Base64Bytes, Field(min_length=1)] | None = Field(
        default=None,
        description="As the phone took it: JPEG, PNG or WebP in base64, without `data:` before it. One request holds "
        "at most 1,000,000 bytes, so a photo about 740,000. Kept as JPEG of at most 1600 x 1600 pixels, without the "
        "place, time and device that the phone notes.",
    )

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.kind is RemarkKind.OTHER and self.note is None:
            raise fault_in("note", "note is missing: a remark of kind other says in words what it is")
        return self
