"""What the operator decides outside the database: where it is, and under which address labels point home."""

import os
from dataclasses import dataclass
from pathlib import Path

DATABASE_URL_VARIABLE = "BALE_TO_PELLET_DATABASE_URL"
PUBLIC_URL_VARIABLE = "BALE_TO_PELLET_PUBLIC_URL"


@dataclass(frozen=True)
class Settings:
    """Process-wide settings, read once from the environment.

    Parameters
    ----------
    database_url : SQLAlchemy URL; without the variable an SQLite file in the working folder.
    public_url : scheme and host printed in every QR code, without a trailing slash. A printed label
        outlives servers: choose a name that will still be yours in ten years.
    body_bytes_max : largest request body accepted, in bytes.
    photo_bytes_max : the same for a form with a photo, which a phone makes 3 to 12 MB large.
    """

    database_url: str
    public_url: str
    body_bytes_max: int = 1_000_000
    photo_bytes_max: int = 16_000_000

    @staticmethod
    def from_environment() -> "Settings":
        default = f"sqlite:///{Path('bale-to-pellet.sqlite3').absolute()}"
        return Settings(
            database_url=os.environ.get(DATABASE_URL_VARIABLE) or default,
            public_url=(os.environ.get(PUBLIC_URL_VARIABLE) or "http://127.0.0.1:8000").rstrip("/"),
        )
