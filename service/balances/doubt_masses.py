"""The doubt of wet masses: what a line's grams were read from, directly or through the lot it took."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.balances.doubt_causes import Causes
from service.balances.doubt_facts import DoubtfulLine, LoadedDelivery
from service.core.measured import Cause, CauseKind, rectangular
from service.lots.queries import takes
from service.lots.statuses import Category, Direction, MassBasis
from service.plant.in_force import in_force
from service.plant.statuses import SettingKey
from service.weighbridge.masses import physical_pair
from service.weighbridge.statuses import DeductionKind, Purpose, WeighingEntry
from service.weighbridge.tables import Deduction, Weighing

Parts = dict[Cause, float]
Spread = dict[int, float]


@dataclass
class Wet:
    """The doubt of a wet mass.

    Parameters
    ----------
    parts : grams by cause.
    spread : how often the mass takes the deviation of a bale from its delivery's mean, by lot; `WetDoubts.expand`
        turns it into causes, for many lines at once.
    """

    parts: Parts = field(default_factory=lambda: defaultdict(float))
    spread: Spread = field(default_factory=lambda: defaultdict(float))

    def add(self, other: "Wet", times: float = 1.0) -> None:
        for cause, u_g in other.parts.items():
            self.parts[cause] += times * u_g
        for lot_id, weight in other.spread.items():
            self.spread[lot_id] += times * weight


class WetDoubts:
    """Wet masses in doubt, of lines, lots and deliveries; each is looked at once."""

    def __init__(self, causes: Causes) -> None:
        self._causes = causes
        self._facts = causes.facts
        self._held: dict[int, Wet] = {}
        self._of_delivery: dict[int, Parts] = {}
        self._left: dict[int, Parts] = {}
        self._deviations: dict[int, dict[int, float]] = {}

    def of_line(self, line: DoubtfulLine, mass_g: int) -> Wet:
        """What a line's mass rests on; `whole` and `rest` are what the other lines leave of the lot."""
        if line.category is Category.TIES:
            return self._ties(line, mass_g)
        if line.mass_g is not None:
            return self._stated(line, line.mass_g)
        lot_id = line.lot_id or 0
        found = Wet()
        found.add(self._lot(lot_id))
        for other in self._facts.lines_of_lot.get(lot_id, ()):
            if other.mass_g is not None and takes(other):
                self._causes.use(f"line {other.id} {other.version}")
                found.add(self._stated(other, other.mass_g), -1.0)
        return found

    def _stated(self, line: DoubtfulLine, mass_g: int) -> Wet:
        """A mass stated on the line: read from a scale, its packaging from a list, or nobody says how."""
        found = Wet()
        if line.instrument_id is None:
            found.parts[self._unstated_side(line)] = mass_g * self._unstated(line)
        else:
            name = f"line {line.id} v{line.version}"
            subject = self._causes.lot(line.lot_id) if line.lot_id is not None else line.stream
            load_g = line.gross_g or mass_g
            cause, u_g = self._causes.reading(name, subject, line.instrument_id, load_g, line.start_at)
            found.parts[cause] = u_g
            span, u = self._causes.span(line.instrument_id, line.start_at)
            found.parts[span] = mass_g * u
        if line.gross_g is not None:
            self._add_tares(found, line)
        return found

    def _unstated_side(self, line: DoubtfulLine) -> Cause:
        side = "in" if line.direction is Direction.IN else "out"
        words = f"masses {'fed' if side == 'in' else 'booked out'} without a scale"
        return self._causes.named(CauseKind.UNSTATED, f"{self._causes.habit(line.process_id)} {side}", words)

    def _unstated(self, line: DoubtfulLine) -> float:
        return rectangular(self._causes.setting(SettingKey.UNSTATED_HALF_WIDTH, ("",), line.start_at))

    def _add_tares(self, found: Wet, line: DoubtfulLine) -> None:
        tares = self._facts.tares.get((line.id, line.version), ())
        if not tares:
            self._causes.remark_bare(line.lot_id)
        for type_id, pieces in tares:
            row = in_force(self._facts.container_types[type_id], line.start_at)
            self._causes.use(f"container type {row.id} {row.version}")
            name = f"container type {row.id} v{row.version}"
            cause = self._causes.named(CauseKind.TARE, name, f"listed tare of {row.code}")
            found.parts[cause] -= pieces * row.u_tare_g

    def _lot(self, lot_id: int) -> Wet:
        """All a lot ever held."""
        if lot_id not in self._held:
            self._held[lot_id] = self._find_lot(lot_id)
        return self._held[lot_id]

    def _find_lot(self, lot_id: int) -> Wet:
        found = Wet()
        mass = self._facts.masses.get(lot_id)
        if mass is None:
            for line in self._facts.lines_of_lot.get(lot_id, ()):
                if line.direction is Direction.OUT and line.mass_g is not None:
                    self._causes.use(f"line {line.id} {line.version}")
                    found.add(self._stated(line, line.mass_g))
            return found
        lot = self._facts.lots[lot_id]
        delivery = self._facts.deliveries.get(lot.delivery_id or 0)
        if mass.basis is MassBasis.DECLARED or delivery is None:
            half_width = self._causes.setting(SettingKey.UNSTATED_HALF_WIDTH, ("",), mass.effective_at)
            words = f"declared mass of lot {lot.code}"
            cause = self._causes.named(CauseKind.UNSTATED, f"lot {lot_id}", words)
            found.parts[cause] = mass.material_g * rectangular(half_width)
        elif mass.basis is MassBasis.ALLOCATED:
            # Of what the truck's net leaves for the bales without a weight of their own, and of their unlikeness.
            whole_g = sum(delivery.allocated_g.values())
            share = delivery.allocated_g[lot_id] / whole_g
            for cause, u_g in self._left_of(delivery).items():
                found.parts[cause] += u_g * share
            found.spread[lot_id] = 1.0
        elif lot_id in delivery.weighed_g:
            found.parts.update(self._platform(self._facts.weighings[mass.weighing_id or 0], lot.code))
        else:
            found.parts.update(self.of_delivery(lot.delivery_id or 0))
        return found

    def _platform(self, weighing: Weighing, code: str) -> Parts:
        """One bale on a scale of its own."""
        reading = self._causes.weighing(weighing, f"lot {code}")
        if reading is None or weighing.instrument_id is None:
            half_width = self._causes.setting(SettingKey.UNSTATED_HALF_WIDTH, ("",), weighing.weighed_at)
            cause = self._causes.named(CauseKind.UNSTATED, f"weighing {weighing.id}", f"weighing of lot {code}")
            return {cause: weighing.mass_g * rectangular(half_width)}
        span, u = self._causes.span(weighing.instrument_id, weighing.weighed_at)
        return dict([reading, (span, weighing.mass_g * u)])

    def of_delivery(self, delivery_id: int) -> Parts:
        """The material of a truck: gross less tare less what is deducted by list; grams by cause."""
        if delivery_id not in self._of_delivery:
            self._of_delivery[delivery_id] = self._find_delivery(self._facts.deliveries[delivery_id])
        return self._of_delivery[delivery_id]

    def _find_delivery(self, delivery: LoadedDelivery) -> Parts:
        parts: Parts = defaultdict(float)
        load = delivery.load
        ticket = load.delivery.ticket_no
        pair = physical_pair(load)
        if pair is None:
            return parts
        for weighing, sign, kind in ((pair.gross, 1.0, "gross"), (pair.tare, -1.0, "tare")):
            words = f"{kind} of ticket {ticket}"
            reading = self._causes.weighing(weighing, words)
            if reading is None or weighing.instrument_id is None or weighing.entry is WeighingEntry.STORED_TARE:
                # Somebody else's scale, or a tare of another day: nothing vouches for it.
                half_width = self._causes.setting(SettingKey.UNSTATED_HALF_WIDTH, ("",), weighing.weighed_at)
                why = "stored tare" if weighing.entry is WeighingEntry.STORED_TARE else "scale unknown"
                self._causes.remark(f"the {words} vouches for nothing itself: {why}")
                # The same scale or the same stored figure serves truck after truck of a supplier. (Plates may be
                # erased, so they cannot tell one truck from another.)
                name = f"{why} {weighing.origin} {kind} supplier {load.delivery.supplier_id}"
                cause = self._causes.named(CauseKind.UNSTATED, name, f"{kind} of a supplier's trucks ({why})")
                parts[cause] += sign * weighing.mass_g * rectangular(half_width)
            if reading is not None and weighing.instrument_id is not None:
                cause, u_g = reading
                parts[cause] += sign * u_g
                # Gross and tare of one scale share its span, so that what is left is in proportion to the net.
                span, u = self._causes.span(weighing.instrument_id, weighing.weighed_at)
                parts[span] += sign * weighing.mass_g * u
        for deduction in load.deductions:
            if deduction.purpose is Purpose.PHYSICAL:
                parts[self._listed(deduction, ticket)] -= deduction.pieces * self._listed_u_g(deduction)
        return parts

    def _listed(self, deduction: Deduction, ticket: str) -> Cause:
        self._causes.use(f"deduction {deduction.id} {deduction.version}")
        name = f"deduction {deduction.id} v{deduction.version}"
        noun = "ties" if deduction.kind is DeductionKind.TIE else "pallets"
        return self._causes.named(CauseKind.TARE, name, f"listed mass of {noun} of ticket {ticket}")

    def _listed_u_g(self, deduction: Deduction) -> float:
        """Standard uncertainty of one listed piece, grams."""
        scopes = (deduction.kind.value, "")
        half_width = self._causes.setting(SettingKey.LISTED_TIE_HALF_WIDTH, scopes, deduction.effective_at)
        return deduction.per_piece_g * rectangular(half_width)

    def _ties(self, line: DoubtfulLine, mass_g: int) -> Wet:
        """Ties that come off a bale: what the truck's list took off its net, so both errors are one."""
        lot = self._facts.lots.get(line.lot_id or 0)
        delivery = None if lot is None else self._facts.deliveries.get(lot.delivery_id or 0)
        ties = None if delivery is None else delivery.load.ties()
        found = Wet()
        if delivery is None or ties is None:
            found.parts[self._unstated_side(line)] = mass_g * self._unstated(line)
        else:
            cause = self._listed(ties, delivery.load.delivery.ticket_no)
            found.parts[cause] = self._listed_u_g(ties) * mass_g / ties.per_piece_g
        return found

    def _left_of(self, delivery: LoadedDelivery) -> Parts:
        """What a truck's net leaves for its bales without a weight of their own."""
        delivery_id = delivery.load.delivery.id
        if delivery_id not in self._left:
            parts: Parts = defaultdict(float, self.of_delivery(delivery_id))
            for lot_id in delivery.weighed_g:
                weighing = self._facts.weighings[self._facts.masses[lot_id].weighing_id or 0]
                for cause, u_g in self._platform(weighing, self._facts.lots[lot_id].code).items():
                    parts[cause] -= u_g
            masses = ",".join(map(str, sorted(delivery.allocated_g.values())))
            self._causes.use(f"delivery {delivery_id} {masses}")
            self._left[delivery_id] = parts
        return self._left[delivery_id]

    # Bales of a truck are unlike each other

    def expand(self, spread: Mapping[int, float], parts: Parts) -> None:
        """Add what the unlikeness of bales brings, in the unit of `spread`'s weights x grams.

        Bale i is off by e_i - (m_i / M) x sum of all e, so the bales of a truck are off by nothing together, and
        what two runs took of one truck is off in opposite ways.
        """
        by_delivery: dict[int, dict[int, float]] = {}
        for lot_id, weight in spread.items():
            if weight:
                by_delivery.setdefault(self._facts.lots[lot_id].delivery_id or 0, {})[lot_id] = weight
        for delivery_id, weights in by_delivery.items():
            masses = self._facts.deliveries[delivery_id].allocated_g
            if len(weights) == len(masses) and len(set(weights.values())) == 1:
                continue  # all of the truck alike: their unlikeness is nothing, to the last digit
            whole_g = sum(masses.values())
            mean = sum(weight * masses[lot_id] for lot_id, weight in weights.items()) / whole_g
            words = f"estimated bale masses of {self._causes.ticket(delivery_id)}"
            for lot_id, u_g in self._unlikeness(delivery_id).items():
                part = u_g * (weights.get(lot_id, 0.0) - mean)
                if part:
                    parts[self._causes.named(CauseKind.ALLOCATION, f"bale {lot_id}", words)] += part

    def _unlikeness(self, delivery_id: int) -> dict[int, float]:
        """How far each bale without a weight of its own may be from the truck's mean, grams."""
        if delivery_id not in self._deviations:
            delivery = self._facts.deliveries[delivery_id]
            at = delivery.load.delivery.arrived_at
            relative = self._causes.setting(SettingKey.ALLOCATION_SPREAD, ("",), at)
            found = {}
            for lot_id, mass_g in delivery.allocated_g.items():
                weighing = delivery.platform.get(lot_id)
                # All bales were weighed and the truck's net split in proportion: then they are unlike as weighed.
                reading = None if weighing is None else self._causes.weighing(weighing, self._causes.lot(lot_id))
                found[lot_id] = mass_g * relative if reading is None else reading[1]
            self._deviations[delivery_id] = found
        return self._deviations[delivery_id]
