"""The reconciliation of a site's period: reads the rows, builds the network, ranks what may be wrong.

Imports the solver, which takes half a second: routes import this where the question is asked.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col

from service.balances.doubt import Doubts
from service.balances.doubt_causes import Causes
from service.balances.doubt_facts import LoadedDelivery, read_facts
from service.balances.doubt_masses import WetDoubts
from service.balances.network import CheckedTruck, Fed, Moved, PlantNetwork, network_streams
from service.balances.reconciliation_answer import Words, answer_of
from service.balances.schemas_reconciliation import PlantReconciliationOut
from service.core.error_directions import Hypothesis
from service.core.measured import Cause, CauseKind, Measured, rectangular, total
from service.core.quantities import PPM
from service.core.reconciliation import Reconciliation, reconcile
from service.core.stream_network import NoNetwork, Unreconcilable, network_of
from service.core.suspect_kinds import SuspectKind
from service.core.suspects import suspects_of
from service.errors import Unacceptable
from service.journal.read import Knowledge, chunks, current
from service.journal.tables import SITE_STEP
from service.lots.moisture import moistures
from service.lots.rows import LotRow, lot_rows
from service.lots.statuses import Category, Direction, LotOrigin, Step
from service.lots.stock import held_g, left_g, line_masses
from service.lots.tables import Line, Process
from service.plant.in_force import SettingsInForce
from service.plant.statuses import SettingKey
from service.plant.tables import Site
from service.weighbridge.masses import deducted_g, material_g
from service.weighbridge.statuses import Purpose
from service.weighbridge.tables import Delivery

LEVEL = 0.05
# What leaves the gate is weighed once, on the way out: there is nothing to hold it against.
NOT_FOLLOWED = (Step.SHIPPING, Step.RETURN_TO_SUPPLIER)
# A container or big-bag lot that was forgotten holds 0.4 to 1.5 t; a scale in use is seldom off by more than 1 %.
# Both common practice, no source.
LARGEST_CONTAINER_KG = 1_500.0
LARGEST_SPAN_ERROR = 0.01
# Bales are unlike each other: that no scale or person is to blame for.
NOT_SUSPECTED = (CauseKind.ALLOCATION,)


@dataclass(frozen=True)
class Period:
    """What a question is about."""

    site: Site
    from_at: datetime
    to_at: datetime
    known: Knowledge | None


def reconcile_period(
    session: Session, site: Site, from_at: datetime, to_at: datetime, known: Knowledge | None, now: datetime
) -> PlantReconciliationOut:
    """Bring what a site read in a period into balance and rank what may be wrong.

    Raises
    ------
    Unacceptable : the period runs backwards or lies in the future.
    Unacceptable : or nothing that is closed overlaps it, or the readings cannot be reconciled; says what is missing.
    """
    period = Period(site, from_at, to_at, known)
    _require_sensible(period, now)
    rows = _Rows(session, period)
    if not rows.processes and not rows.trucks:
        raise Unacceptable(
            "nothing-to-reconcile",
            f"No closed run and no weighed truck of {period.site.code} overlaps this time.",
            "Choose a time in which runs were closed; open runs can be asked for their interim balance.",
        )
    plant = rows.network()
    try:
        result = reconcile(network_of(plant.streams))
    except NoNetwork as fault:
        raise Unacceptable(
            "nothing-to-reconcile", f"There are no readings to reconcile: {fault}.", "Choose another time."
        ) from fault
    except Unreconcilable as fault:
        raise Unacceptable(
            "unreconcilable", f"These readings cannot be reconciled: {fault}.", "Mend what is named, or ask about less."
        ) from fault
    spans = rows.span_u()
    ranked = suspects_of(
        result,
        level=LEVEL,
        plausible=_plausible(result, plant, spans),
        sealed=plant.checks,
        causes=frozenset(cause for cause in result.network.causes if cause.kind not in NOT_SUSPECTED),
    )
    words = Words(stream=str, node=str, cause=rows.doubts.words, relative_u=spans, decimals=3)
    answer = answer_of(result, ranked, words, level=LEVEL, remarks=rows.remarks())
    return PlantReconciliationOut(
        site=period.site.code,
        from_at=period.from_at,
        to_at=period.to_at,
        processes=len(rows.processes),
        trucks=len(rows.trucks),
        **dict(answer),
    )


def _require_sensible(period: Period, now: datetime) -> None:
    if period.from_at >= period.to_at:
        raise Unacceptable("period-backwards", "The period ends before it begins.", "Give `from` before `to`.")
    if period.from_at >= now:
        raise Unacceptable(
            "period-in-the-future",
            f"The period begins at {period.from_at.isoformat()}, which is still to come.",
            "Ask about a time that has passed; nothing was read yet.",
        )


def _plausible(result: Reconciliation, plant: PlantNetwork, spans: dict[Cause, float]) -> dict[Hypothesis, float]:
    """Largest error anybody expects, where somebody can say."""
    found = {
        Hypothesis(SuspectKind.SHARED, cause=cause): LARGEST_SPAN_ERROR / spans[cause]
        for cause in result.network.causes
        if spans.get(cause)
    }
    for nodes in result.constraints.nodes_of_rows():
        if not any(result.network.nodes[node] in plant.checks for node in nodes):
            found[Hypothesis(SuspectKind.UNBOOKED, nodes=tuple(nodes))] = LARGEST_CONTAINER_KG
    return found


class _Rows:
    """What is recorded of a period, read in a fixed number of statements."""

    def __init__(self, session: Session, period: Period) -> None:
        known = period.known
        self._period = period
        self.processes, self._open = _processes(session, period)
        own = _lines(session, "process_id", self.processes, known)
        lots = {line.lot_id for line in own if line.lot_id is not None}
        self._lots = lot_rows(session, lots)
        made_here = {lot.id for lot in self._lots.values() if lot.origin is LotOrigin.PROCESS}
        seen = {line.id for line in own}
        others = [line for line in _lines(session, "lot_id", made_here, known) if line.id not in seen]
        self._lines = [*own, *others]
        self._made_here = made_here
        came_from = {lot.delivery_id for lot in self._lots.values()} - {None}
        deliveries = sorted({*_deliveries(session, period), *(each for each in came_from if each)})
        named = moistures(session, {line.moisture_id for line in self._lines if line.moisture_id}, known)
        facts = read_facts(session, self._lines, named, known, deliveries)
        self._causes = Causes(facts)
        self._wet = WetDoubts(self._causes)
        self.doubts = Doubts(self._lines, line_masses(session, self._lines, known), named, self._causes, self._wet)
        self._settings = SettingsInForce(session, (SettingKey.SUPPLIER_NET_TOLERANCE,), known)
        self._without_net = [facts.deliveries[each] for each in deliveries if each in facts.deliveries]
        self._without_net = [each for each in self._without_net if material_g(each.load) is None]
        self.trucks = [self._truck(each) for each in facts.deliveries.values() if material_g(each.load) is not None]

    # What people call things

    def _process(self, process_id: int) -> str | None:
        process = self.processes.get(process_id)
        if process is None:
            return None
        noun = "vessel period" if process.step is Step.VESSEL_PERIOD else f"{process.step.replace('_', ' ')} run"
        return f"{noun} {process_id}"

    def _lot(self, lot_id: int | None) -> LotRow | None:
        return None if lot_id is None else self._lots[lot_id]

    # The network

    def network(self) -> PlantNetwork:
        return network_streams(self.trucks, self._fed(), self._moved(), self._left_over())

    def _fed(self) -> list[Fed]:
        """Lines that take from lots whose history begins here, those of one truck and process together."""
        groups: dict[tuple[int, str], list[Line]] = {}
        for line in self._lines:
            lot = self._lot(line.lot_id)
            if line.direction is not Direction.IN or lot is None or lot.id in self._made_here:
                continue
            groups.setdefault((line.process_id, self._source(line, lot)), []).append(line)
        return [
            Fed(str(self._process(process_id)), source, self.doubts.total({line.id: 1 for line in lines}))
            for (process_id, source), lines in groups.items()
        ]

    def _source(self, line: Line, lot: LotRow) -> str:
        if lot.delivery_id is None:
            return f"lot {lot.code}"
        noun = "ties" if line.category is Category.TIES else "material"
        return f"{noun} of {self._causes.ticket(lot.delivery_id)}"

    def _moved(self) -> list[Moved]:
        found = []
        for line in self._lines:
            lot = self._lot(line.lot_id)
            is_in = line.direction is Direction.IN
            if lot is not None and is_in and lot.id not in self._made_here:
                continue
            process = self._process(line.process_id)
            node = f"lot {lot.code}" if lot is not None and self._is_followed(line) else None
            follows = line.mass_g is None and line.fraction_ppm is None
            subject = line.stream if lot is None else f"{line.stream} (lot {lot.code})"
            way = "into" if is_in else "out of"
            where = process or f"process {line.process_id}"
            name = f"line {line.id}: {subject} {way} {where}"
            found.append(Moved(name, process, node, is_in, None if follows else self.doubts.of(line.id)))
        return found

    def _is_followed(self, line: Line) -> bool:
        return line.lot_id in self._made_here and line.category is not Category.TIES

    def _left_over(self) -> Iterable[str]:
        """Lots made here of which the book says that something is left."""
        of_lot: dict[int, list[Line]] = {}
        for line in self._lines:
            if self._is_followed(line):
                of_lot.setdefault(line.lot_id or 0, []).append(line)
        for lot_id, lines in of_lot.items():
            takes_rest = any(line.mass_g is None and line.direction is Direction.IN for line in lines)
            if not takes_rest and left_g(held_g(None, lines), lines) > 0:
                yield f"lot {self._lots[lot_id].code}"

    def _truck(self, delivery: LoadedDelivery) -> CheckedTruck:
        load = delivery.load
        taken_g = deducted_g(load, Purpose.PHYSICAL)
        net_g = material_g(load) or 0
        parts = {cause: u_g * PPM for cause, u_g in self._wet.of_delivery(load.delivery.id).items()}
        listed = {cause: u_ug for cause, u_ug in parts.items() if cause.kind is CauseKind.TARE}
        note = None
        if load.delivery.note_mass_g is not None and load.delivery.note_mass_g > taken_g:
            half_width = self._note_half_width(load.delivery)
            own = Cause(CauseKind.READING, f"note {load.delivery.id}")
            note_g = load.delivery.note_mass_g - taken_g
            note = Measured(note_g * PPM, {own: load.delivery.note_mass_g * PPM * rectangular(half_width), **listed})
        weighed = {**delivery.allocated_g, **delivery.weighed_g}
        platform = None
        if weighed and delivery.allocated_g.keys() | delivery.weighed_g.keys() <= delivery.platform.keys():
            platform = total(self._on_platform(delivery, lot_id) for lot_id in weighed)
        return CheckedTruck(load.delivery.ticket_no, Measured(net_g * PPM, parts), note, platform, len(weighed))

    def _note_half_width(self, delivery: Delivery) -> float:
        """By how much a supplier's mass may differ from ours before it is disputed: the plant's own setting."""
        material = self._causes.facts.materials_of_deliveries[delivery.material_id]
        scopes = (material.code, "")
        stated = self._settings.find(SettingKey.SUPPLIER_NET_TOLERANCE, scopes, delivery.arrived_at)
        return 1.0 if stated is None else stated.fraction

    def _on_platform(self, delivery: LoadedDelivery, lot_id: int) -> Measured:
        weighing = delivery.platform[lot_id]
        reading = self._causes.weighing(weighing, f"lot {self._causes.lot(lot_id)}")
        if reading is None or weighing.instrument_id is None:
            # Somebody else's scale: as doubtful as a supplier's note.
            half_width = self._note_half_width(delivery.load.delivery)
            unknown = Cause(CauseKind.UNSTATED, f"weighing {weighing.id}")
            return Measured(weighing.mass_g * PPM, {unknown: weighing.mass_g * PPM * rectangular(half_width)})
        span, u = self._causes.span(weighing.instrument_id, weighing.weighed_at)
        return Measured(weighing.mass_g * PPM, {reading[0]: reading[1] * PPM, span: weighing.mass_g * PPM * u})

    def span_u(self) -> dict[Cause, float]:
        """How well the span of each scale is known, as a fraction, at the end of the period."""
        return dict(self._causes.span(scale, self._period.to_at) for scale in self._causes.facts.instruments)

    def remarks(self) -> list[str]:
        said = list(self.doubts.remarks)
        if self._open:
            said.append(
                f"{len(self._open)} runs or vessels were not closed or proven empty in this time: what went through "
                "them is not balanced here."
            )
        said += [
            f"Ticket {each.load.delivery.ticket_no} has no tare yet: it checks nothing. Weigh the tare."
            for each in self._without_net
        ]
        unchecked = [each.ticket for each in self.trucks if each.note is None and each.platform is None]
        if unchecked:
            said.append(
                f"{len(unchecked)} trucks were read once only, no supplier's note and no platform weights: "
                f"{', '.join(unchecked[:4])}{' ...' if len(unchecked) > 4 else ''}."
            )
        return said


def _processes(session: Session, period: Period) -> tuple[dict[int, Process], list[Process]]:
    """Closed processes that overlap the period, and open ones."""
    first = period.site.site_no * SITE_STEP
    query = current(Process, period.known).where(
        col(Process.id) >= first,
        col(Process.id) < first + SITE_STEP,
        col(Process.started_at) < period.to_at,
        col(Process.step).not_in(NOT_FOLLOWED),
    )
    rows = [
        row
        for row in session.execute(query.order_by(col(Process.id))).scalars()
        if row.ended_at is None or row.ended_at > period.from_at
    ]
    return {row.id: row for row in rows if row.is_closed}, [row for row in rows if not row.is_closed]


def _lines(session: Session, column: str, values: Iterable[int], known: Knowledge | None) -> Sequence[Line]:
    """Lines of some processes or lots; what goes round in a loop is neither fed nor out."""
    found: list[Line] = []
    for portion in chunks(set(values)):
        query = current(Line, known).where(col(getattr(Line, column)).in_(portion))
        found += session.execute(query.order_by(col(Line.id))).scalars()
    return [line for line in found if line.category is not Category.INTERNAL_LOOP]


def _deliveries(session: Session, period: Period) -> list[int]:
    """Trucks that arrived in the period."""
    first = period.site.site_no * SITE_STEP
    arrived = col(Delivery.arrived_at)
    query = current(Delivery, period.known).where(
        col(Delivery.id) >= first,
        col(Delivery.id) < first + SITE_STEP,
        arrived >= period.from_at,
        arrived < period.to_at,
    )
    return list(session.execute(query.with_only_columns(col(Delivery.id))).scalars())
