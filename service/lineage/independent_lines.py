"""The lines of processes as independent walks see them: plain SQL, dry masses, vessels run forward event by event.

None of the code that works compositions out is used here. What mixes in another way than a run, a well-mixed vessel or
a first-in-first-out one, one line after another, is refused (`NotPlain`).
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import TextClause, text
from sqlmodel import Session

from service.journal.standing import current

READ_MAX = 200_000  # lines kept in memory
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class NotPlain(Exception):
    """A process on the way hands on what it holds in a way this walk does not know."""


def of_lot(condition: str) -> str:
    """SQL: grams that the lot of a line was given, or gave, in figures."""
    other = f"other.lot_id = line.lot_id AND {condition} AND {current('other', 'line')}"
    return f"(SELECT CAST(SUM(other.mass_g) AS BIGINT) FROM line AS other WHERE {other})"


# What a line of `whole` or `rest` takes is what the lot ever held, less what others took of it in figures.
OWN_MASS = f"(SELECT material_g FROM lot_mass WHERE lot_mass.id = line.lot_id AND {current('lot_mass')})"
MADE = of_lot("other.direction = 'out'")
TAKEN = of_lot("other.direction = 'in' AND other.category <> 'ties'")
OPEN_MASS = f"COALESCE({OWN_MASS}, {MADE}, 0) - COALESCE({TAKEN}, 0)"
MASS = f"CASE WHEN line.mass_g IS NULL THEN {OPEN_MASS} ELSE line.mass_g END"
MOISTURE_PPM = "CAST(ROUND(CAST(measurement.value AS NUMERIC) * 1000000) AS BIGINT)"
DRY_UG = f"({MASS}) * (1000000 - {MOISTURE_PPM})"
WEIGHED = f"line JOIN measurement ON measurement.id = line.moisture_id AND {current('measurement')}"
IS_MAKER = "{0}.direction = 'out' AND {0}.category <> 'ties'"
IS_MATERIAL = "line.category NOT IN ('ties', 'internal_loop')"
LINES = f"""
SELECT line.id, line.process_id, line.lot_id, line.direction, line.start_at, line.end_at, {DRY_UG} AS dry_ug
FROM {WEIGHED} WHERE {{}} AND line.lot_id IS NOT NULL AND {current("line")}
"""
LINES_OF_PROCESS = text(LINES.format(f"line.process_id = :id AND {IS_MATERIAL}"))
MAKERS = text(LINES.format(f"line.lot_id = :id AND {IS_MAKER.format('line')}"))
FED = "SELECT fed.lot_id FROM line AS fed WHERE fed.process_id = :id AND fed.direction = 'in'"
MAKERS_OF_FED = text(LINES.format(f"line.lot_id IN ({FED}) AND {IS_MAKER.format('line')}"))
PROCESS = text(f"""
SELECT process.mixing, vessel.proof_from, (
    SELECT COUNT(*) FROM residence WHERE residence.equipment_id = process.equipment_id AND {current("residence")}
) AS statements
FROM process LEFT JOIN equipment AS vessel
    ON vessel.id = process.equipment_id AND {current("vessel", "equipment")}
WHERE process.id = :id AND {current("process")}
""")


class Event(NamedTuple):
    """One line as the walk sees it: of which lot, from when to when in microseconds, micrograms dry."""

    line_id: int
    process_id: int
    lot_id: int
    is_in: bool
    start_us: int
    end_us: int
    dry_ug: int


@dataclass
class Vessel:
    """A vessel period: its events in time order, the content after each, and the cumulative mass in and out."""

    is_mixed: bool
    events: list[Event]
    content: list[int] = field(default_factory=list)
    through: list[tuple[int, int]] = field(default_factory=list)
    place_of: dict[int, int] = field(default_factory=dict)
    charges: list[int] = field(default_factory=list)  # places of the charges, and how far each one reached
    charged_to: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        standing = charged = drawn = 0
        for place, event in enumerate(self.events):
            if place:
                self._require_order(self.events[place - 1], event)
            self.place_of[event.line_id] = place
            if event.is_in:
                self.through.append((charged, charged + event.dry_ug))
                charged += event.dry_ug
                standing += event.dry_ug
                self.charges.append(place)
                self.charged_to.append(charged)
            else:
                taken = min(event.dry_ug, standing)
                self.through.append((drawn, drawn + taken))
                drawn += taken
                standing -= taken
            self.content.append(standing)

    def _require_order(self, before: Event, event: Event) -> None:
        """One after another: for what is charged or drawn at the same moment there are rules of their own."""
        is_at_once = before.start_us == event.start_us and before.is_in == event.is_in
        if before.end_us > event.start_us or (is_at_once and not (self.is_mixed and event.is_in)):
            raise NotPlain(f"lines {before.line_id} and {event.line_id} go on at the same time")

    def last_before(self, at_us: int) -> int | None:
        """Place of the last event that is over at an instant, those of the instant included."""
        place = bisect_right(self.events, at_us, key=lambda event: event.end_us)
        return place - 1 if place else None


class LinesRead:
    """Processes with their lines, as far as they are plain; those that were read once are kept."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._events: dict[int, list[Event]] = {}
        self._makers: dict[int, Sequence[Event]] = {}
        self._vessels: dict[int, Vessel] = {}
        self._kinds: dict[int, Any] = {}
        self._read_so_far = 0

    def forget(self) -> None:
        """Let go of what was read, if it is much."""
        if self._read_so_far > READ_MAX:
            self._events.clear()
            self._makers.clear()
            self._vessels.clear()
            self._read_so_far = 0

    def makers_of(self, lot_id: int) -> Sequence[Event]:
        """The lines that made a lot; none for an origin lot."""
        if lot_id not in self._makers:
            self._makers[lot_id] = self._read(MAKERS, lot_id)
        return self._makers[lot_id]

    def events_of(self, process_id: int) -> list[Event]:
        """The material lines of a process; what made the lots fed to it is read along."""
        if process_id not in self._events:
            events = self._events[process_id] = self._read(LINES_OF_PROCESS, process_id)
            makers: dict[int, list[Event]] = {}
            for maker in self._read(MAKERS_OF_FED, process_id):
                makers.setdefault(maker.lot_id, []).append(maker)
            self._makers |= {event.lot_id: makers.get(event.lot_id, ()) for event in events if event.is_in}
        return self._events[process_id]

    def vessel(self, process_id: int) -> Vessel | None:
        """The vessel period of that number; None for a run."""
        mixing = self.kind_of(process_id).mixing
        if mixing == "run_mixed":
            return None
        if process_id not in self._vessels:
            if mixing not in ("well_mixed", "first_in_first_out"):
                raise NotPlain(f"vessel period {process_id} is {mixing}")
            # An instant's charges are in before its draws; what begins then comes after both.
            events = sorted(
                self.events_of(process_id), key=lambda event: (event.start_us, event.end_us, not event.is_in)
            )
            self._vessels[process_id] = Vessel(mixing == "well_mixed", events)
        return self._vessels[process_id]

    def kind_of(self, process_id: int) -> Any:
        """How a process mixes, and from when on a proof stands on its vessel."""
        if process_id not in self._kinds:
            kind = self._session.execute(PROCESS, {"id": process_id}).one_or_none()
            if kind is None or kind.statements:
                raise NotPlain(f"residence data were stated where process {process_id} runs")
            self._kinds[process_id] = kind
        return self._kinds[process_id]

    def _read(self, query: TextClause, number: int) -> list[Event]:
        rows = self._session.execute(query, {"id": number})
        events = [event_of(row) for row in rows]
        self._read_so_far += len(events)
        return events


def event_of(row: Any) -> Event:
    """A row of `LINES`."""
    start_us = microseconds(row.start_at)
    end_us = start_us if row.end_at is None else microseconds(row.end_at)
    return Event(row.id, row.process_id, row.lot_id, row.direction == "in", start_us, end_us, int(row.dry_ug))


def microseconds(stored: Any) -> int:
    """Microseconds since 1970 of a moment as one of the engines hands it out."""
    moment = datetime.fromisoformat(stored) if isinstance(stored, str) else stored
    return int((moment - EPOCH) // timedelta(microseconds=1))
