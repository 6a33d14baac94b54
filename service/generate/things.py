"""What the writer remembers of things whose history goes on; everything else is in the database and forgotten here."""

from collections import deque
from dataclasses import dataclass, field
from datetime import datetime

from service.core.quantities import dry_ug, fraction_text
from service.lots.statuses import Amount, Category, Direction, LotKind, MeasurementBasis, Step
from service.plant.statuses import Mixing


@dataclass(slots=True)
class Moisture:
    """A measurement of moisture, ppm of wet mass, as it stands now."""

    id: int
    subject_id: int
    ppm: int
    basis: MeasurementBasis
    taken_at: datetime
    version: int = 1

    @property
    def value(self) -> str:
        return fraction_text(self.ppm)


@dataclass(slots=True)
class Vessel:
    """A vessel and its running period.

    Parameters
    ----------
    content_ug : micrograms dry by the book.
    fills : since it was last proven empty.
    fills_until_clean_out : 0 for never.
    """

    equipment_id: int
    mixing: Mixing
    period_id: int
    begun_at: datetime
    clean_out_every: int
    content_ug: int = 0
    fills: int = 0
    fills_until_clean_out: int = 0


@dataclass(slots=True)
class Lot:
    """A lot as the next step needs it.

    Parameters
    ----------
    held_g : all it ever held; `stated_g` of it was taken by lines that state a figure.
    vessel, period_id : where it was charged into.
    """

    id: int
    kind: LotKind
    born_at: datetime
    moisture: Moisture
    held_g: int
    tie_g: int = 0
    stated_g: int = 0
    mass_version: int = 1
    vessel: Vessel | None = None
    period_id: int = 0

    @property
    def left_g(self) -> int:
        return self.held_g - self.stated_g

    @property
    def dry_ug(self) -> int:
        """Of what is left, micrograms."""
        return dry_ug(self.left_g, self.moisture.ppm)


@dataclass(slots=True)
class Line:
    """A line of a run, with what a later version of it repeats."""

    id: int
    process_id: int
    lot: Lot | None
    direction: Direction
    category: Category
    stream: str
    amount: Amount
    mass_g: int | None
    fraction_ppm: int | None
    moisture: Moisture | None
    start_at: datetime
    end_at: datetime | None
    gross_g: int | None = None
    version: int = 1

    @property
    def moisture_id(self) -> int | None:
        return None if self.moisture is None else self.moisture.id


@dataclass(slots=True)
class Run:
    """A run with its lines; once closed, with the balance that stands."""

    id: int
    step: Step
    started_at: datetime
    note: str | None = None
    lines: list[Line] = field(default_factory=list)
    ties_moisture: Moisture | None = None
    ended_at: datetime | None = None
    balance_id: int = 0
    balance_version: int = 0
    inputs_hash: str = ""

    def dry_ug(self, direction: Direction) -> int:
        """Micrograms that the lines of one direction state, estimates left out."""
        return sum(
            dry_ug(mass_of(line), line.moisture.ppm)
            for line in self.lines
            if line.direction is direction and line.moisture is not None
        )


@dataclass(slots=True)
class Truck:
    """A delivery whose net may still be spread anew; `weighed_g` are real weights by lot."""

    delivery_id: int
    net_g: int
    bales: list[Lot]
    weighed_g: dict[int, int] = field(default_factory=dict)


RECENT_RUNS = 80
RECENT_TRUCKS = 6


@dataclass
class Recent:
    """What a late fact may still reach."""

    runs: deque[Run] = field(default_factory=lambda: deque(maxlen=RECENT_RUNS))
    trucks: deque[Truck] = field(default_factory=lambda: deque(maxlen=RECENT_TRUCKS))


def mass_of(line: Line) -> int:
    """Grams of a line, `whole` and `rest` resolved; 0 for an estimate."""
    if line.mass_g is not None:
        return line.mass_g
    return 0 if line.lot is None else line.lot.left_g
