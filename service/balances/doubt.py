"""How far the dry mass of each line may be from the truth, by cause, so that what lines share stays shared.

For whoever builds a balance of anything on lines already read (a few statements, however many lines)::

    doubts = doubts_of(session, lines, masses, moistures, known)
    doubts.of(line_id)                       # core.measured.Measured, micrograms dry
    doubts.total({line_id: 1, other_id: -1}) # the same over many lines, cheaper than adding them
    doubts.words(cause)                      # a cause for people
    doubts.remarks, doubts.used              # what is doubtful; what went in, for a hash over inputs

`measured_lines` gives all lines at once, `measured_net_of_deliveries` what trucks brought.

Causes (``core.measured.CauseKind``) and what shares each:

===========  ==========================  ===================================================================
kind         shared by                   how large
===========  ==========================  ===================================================================
READING      one weighing, or one line   certificate in force, else in-service limit of the class / sqrt 3
             weighed on a scale          at the load (gross, where packaging was on the scale)
SPAN         all readings of a scale     certificate, else in-service limit at Max / Max / sqrt 3; of the net
             under one certificate
MOISTURE     all that rests on one       stated with the measurement, else a setting by material, form or '';
             measurement; a default      a default is one guess, so all that rests on its setting shares it
TARE         one container type, the     pieces x its listed uncertainty; ties and pallets of a truck by a
             ties of one delivery        setting, relative to the listed mass
ALLOCATION   bales of one delivery       a setting, relative to the bale; bale i deviates by its own error less
                                         the mean of all bales of the truck, so that a truck fed whole has none
ESTIMATE     one stream of one step of   a setting, relative to the loss; besides, the loss follows the dry input. One
             a site                      guess serves run after run, so a month does not average it out
UNSTATED     one step and direction of   a setting, relative to the mass, of what no scale is named for. One cause
             a site; one lot; gross or   per step and side: such figures come from one habit, which does not
             tare of one supplier        average out; and two sides, so that in and out do not cancel either
===========  ==========================  ===================================================================

A lot fed `whole` or `rest` rests on the readings its mass came from, here or in the process that made it: a bag
weighed once and fed whole has one reading on both sides. A scale whose calibration was not valid when it was used
is taken at the plant's worst default, and a remark names it.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

from sqlmodel import Session

from service.balances.doubt_causes import Causes
from service.balances.doubt_facts import DoubtfulLine, read_facts
from service.balances.doubt_masses import Spread, WetDoubts
from service.core.measured import Cause, CauseKind, Measured, estimated, rectangular
from service.core.quantities import PPM, divide_half_up, dry_ug, parse_fraction
from service.journal.read import Knowledge
from service.lots.statuses import Category, Direction, Step
from service.lots.tables import Measurement
from service.plant.statuses import SettingKey
from service.weighbridge.masses import material_g, physical_pair


class Doubts:
    """The doubt of some lines; see the module. Made by `doubts_of`.

    Parameters
    ----------
    remarks : sentences on what is not as good as it should be (a scale out of calibration, a mass without a scale).
    used : which version of which certificate, setting, weighing and tare went in, for a hash over inputs.
    """

    def __init__(
        self,
        lines: Sequence[DoubtfulLine],
        masses: Mapping[int, int],
        moistures: Mapping[int, Measurement],
        causes: Causes,
        wet: WetDoubts,
        shares: Mapping[int, Fraction] | None = None,
    ) -> None:
        self._lines = {line.id: line for line in lines}
        self._masses = masses
        self._moistures = moistures
        self._causes = causes
        self._wet = wet
        self._shares = shares or {}
        self._dry: dict[int, tuple[dict[Cause, float], Spread]] = {}
        self._dry_in: dict[int, Measured] = {}
        self._fed: dict[int, list[int]] = defaultdict(list)
        for line in lines:
            if line.direction is Direction.IN and line.category is not Category.INTERNAL_LOOP:
                self._fed[line.process_id].append(line.id)

    @property
    def remarks(self) -> tuple[str, ...]:
        return self._causes.remarks

    @property
    def used(self) -> tuple[str, ...]:
        return self._causes.used

    @property
    def bare_lots(self) -> tuple[str, ...]:
        """Codes of lots that were booked gross without any packaging."""
        return self._causes.bare_lots

    def words(self, cause: Cause) -> str:
        """A cause in words: 'moisture of ticket 000017'. Causes that a reader takes for one have the same words."""
        return self._causes.words[cause]

    def of(self, line_id: int) -> Measured:
        """The dry mass of one line."""
        return self.total({line_id: 1})

    def total(self, signs: Mapping[int, int]) -> Measured:
        """The sum over lines, each with its sign; a line left out counts nothing."""
        value_ug = 0
        parts: dict[Cause, float] = defaultdict(float)
        spread: Spread = defaultdict(float)
        for line_id, sign in signs.items():
            line = self._lines[line_id]
            if line.fraction_ppm is not None:
                loss = self._estimate(line, line.fraction_ppm)
                value_ug += sign * loss.value_ug
                for cause, u_ug in loss.parts.items():
                    parts[cause] += sign * u_ug
                continue
            moisture = self._moistures[line.moisture_id or 0]
            value_ug += sign * dry_ug(self._masses[line_id], parse_fraction(moisture.value))
            direct, allocated = self._dry_parts(line, moisture)
            for cause, u_ug in direct.items():
                parts[cause] += sign * u_ug
            for lot_id, weight in allocated.items():
                spread[lot_id] += sign * weight
        self._wet.expand(spread, parts)
        return Measured(value_ug, {cause: u_ug for cause, u_ug in parts.items() if u_ug})

    def _dry_parts(self, line: DoubtfulLine, moisture: Measurement) -> tuple[dict[Cause, float], Spread]:
        """What doubts a line's dry mass in micrograms: causes, and the bales whose part of a truck was estimated."""
        if line.id not in self._dry:
            kept = PPM - parse_fraction(moisture.value)
            wet = self._wet.of_line(line, self._masses[line.id])
            # What a line's mass was read from is known of the whole; of a part in proportion. Ties are given as cut.
            whole = kept if line.category is Category.TIES else kept * float(self._shares.get(line.id, 1))
            parts = defaultdict(float, {cause: u_g * whole for cause, u_g in wet.parts.items()})
            found = self._causes.moisture(line, moisture)
            if found is not None:
                cause, u_fraction = found
                parts[cause] -= self._masses[line.id] * PPM * u_fraction
            self._dry[line.id] = parts, {lot_id: weight * whole for lot_id, weight in wet.spread.items()}
        return self._dry[line.id]

    def _estimate(self, line: DoubtfulLine, fraction_ppm: int) -> Measured:
        """A loss stated as a fraction of what went into its run, of which all lines have to be here."""
        run = line.process_id
        if run not in self._dry_in:
            self._dry_in[run] = self.total(dict.fromkeys(self._fed[run], 1))
        dry_in = self._dry_in[run]
        value_ug = divide_half_up(dry_in.value_ug * fraction_ppm, PPM)
        half_width = self._causes.setting(SettingKey.ESTIMATE_HALF_WIDTH, (line.stream, ""), line.start_at)
        name = f"{self._causes.habit(run)} {line.stream}"
        cause = self._causes.named(CauseKind.ESTIMATE, name, f"estimate of {line.stream}")
        return estimated(dry_in, fraction_ppm, value_ug, {cause: rectangular(half_width)})


def doubts_of(
    session: Session,
    lines: Sequence[DoubtfulLine],
    masses: Mapping[int, int],
    moistures: Mapping[int, Measurement],
    known: Knowledge | None = None,
    shares: Mapping[int, Fraction] | None = None,
) -> Doubts:
    """Read what some lines rest on, as known at some moment.

    Parameters
    ----------
    lines : of one or of many runs; where a loss is a fraction of dry input, all that was fed to its run.
    masses : grams wet by line, as of `lots.stock.line_masses`.
    moistures : the measurements that the lines name, as of `lots.moisture.moistures`.
    shares : how much of a line `masses` has, by line, where it was cut at some moment.
    """
    causes = Causes(read_facts(session, lines, moistures, known))
    return Doubts(lines, masses, moistures, causes, WetDoubts(causes), shares)


def measured_lines(
    session: Session,
    lines: Sequence[DoubtfulLine],
    masses: Mapping[int, int],
    moistures: Mapping[int, Measurement],
    known: Knowledge | None = None,
) -> dict[int, Measured]:
    """The dry mass of each line with its doubt, by line; arguments as of `doubts_of`."""
    doubts = doubts_of(session, lines, masses, moistures, known)
    return {line.id: doubts.of(line.id) for line in lines}


def measured_net_of_deliveries(
    session: Session,
    delivery_ids: Iterable[int],
    known: Knowledge | None = None,
    moistures: Mapping[int, Measurement] | None = None,
) -> dict[int, Measured]:
    """What each truck brought, by delivery; those still open or reversed are left out.

    Parameters
    ----------
    moistures : the moisture of each delivery, by delivery. Without any, the wet material is given as if it were dry:
        gross - tare - ties - pallets, micrograms.
    """
    wanted = list(delivery_ids)
    causes = Causes(read_facts(session, (), {}, known, wanted))
    wet = WetDoubts(causes)
    found: dict[int, Measured] = {}
    for delivery_id in wanted:
        delivery = causes.facts.deliveries.get(delivery_id)
        if delivery is None or physical_pair(delivery.load) is None:
            continue
        mass_g = material_g(delivery.load) or 0
        moisture = None if moistures is None else moistures.get(delivery_id)
        moisture_ppm = 0 if moisture is None else parse_fraction(moisture.value)
        parts = {cause: u_g * (PPM - moisture_ppm) for cause, u_g in wet.of_delivery(delivery_id).items()}
        rests_on = None if moisture is None else causes.moisture_of_delivery(delivery.load.delivery, moisture)
        if rests_on is not None:
            cause, u_fraction = rests_on
            parts[cause] = -mass_g * PPM * u_fraction
        found[delivery_id] = Measured(dry_ug(mass_g, moisture_ppm), parts)
    return found


def unexplained_of(doubts: Doubts, lines: Sequence[DoubtfulLine], step: Step) -> Measured:
    """Dry in less dry out of one run. What is loaded for shipping leaves as it is: it is on both sides.

    Internal loops belong to `lines`: what ran back cancels, and what did not is on the side of what came out.
    """
    if step is Step.SHIPPING:
        lines = [line for line in lines if line.direction is Direction.OUT]
    return doubts.total({line.id: 1 if line.direction is Direction.IN else -1 for line in lines})
