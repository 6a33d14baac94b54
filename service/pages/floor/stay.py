"""How long material stays in a vessel or a line, as its page says it."""

from dataclasses import dataclass

from service.core.quantities import fraction_text, grouped, kg_text
from service.lineage.basis import WORDS
from service.lineage.regimes import model_of
from service.pages.desk import Desk
from service.pages.floor.words import clock, percent_of_fraction, span_text
from service.plant.residence import residences_of, stops_of
from service.plant.tables import Equipment, Residence

STOPS_SHOWN = 6


@dataclass(frozen=True)
class StayShown:
    """Residence data of one validity.

    Parameters
    ----------
    times : shortest, usual and longest stay; None where none are stated.
    report : the digest of the report that supports the data; None without one.
    """

    regime: str
    times: str | None
    spread: str | None
    hold_up_kg: str | None
    report: str | None
    source: str
    valid: str


@dataclass(frozen=True)
class StopShown:
    when: str
    note: str


def stays_shown(desk: Desk, vessel: Equipment) -> list[StayShown]:
    """All residence data of a vessel or a line, the latest first."""
    return [_stay(desk, vessel, row) for row in reversed(residences_of(desk.session, vessel.id))]


def stops_shown(desk: Desk, vessel: Equipment) -> list[StopShown]:
    """The last stops of a vessel or a line, the latest first."""
    rows = list(stops_of(desk.session, vessel.id))[-STOPS_SHOWN:]
    return [StopShown(span_text(desk, row.at, row.end_at), row.note) for row in reversed(rows)]


def _stay(desk: Desk, vessel: Equipment, row: Residence) -> StayShown:
    times = None
    if row.residence_min_s is not None and row.residence_max_s is not None:
        times = f"{duration_words(row.residence_min_s)} to {duration_words(row.residence_max_s)}"
        if row.residence_mean_s is not None:
            times += f", usually {duration_words(row.residence_mean_s)}"
    begins = clock(desk, row.valid_from)
    tanks = f", {row.tanks} of them" if row.tanks else ""
    return StayShown(
        regime=f"{WORDS[model_of(row, vessel.mixing).regime]}{tanks}",
        times=times,
        spread=None if row.spread_ppm is None else percent_of_fraction(fraction_text(row.spread_ppm)),
        hold_up_kg=None if row.hold_up_g is None else grouped(kg_text(row.hold_up_g).removesuffix(".000")),
        report=row.report_sha256,
        source=row.source,
        valid=f"from {begins}" + (f" until {clock(desk, row.valid_to)}" if row.valid_to else " on"),
    )


def duration_words(seconds: int) -> str:
    """A stay as people say it.

    Examples
    --------
    >>> duration_words(1500), duration_words(79200), duration_words(5430), duration_words(0)
    ('25 min', '22 h', '1 h 30 min 30 s', '0 s')
    """
    hours, rest = divmod(seconds, 3600)
    minutes, left = divmod(rest, 60)
    parts = [f"{number} {unit}" for number, unit in ((hours, "h"), (minutes, "min"), (left, "s")) if number]
    return " ".join(parts) or "0 s"
