"""Run a vessel's book on from where it stood, so that a draw costs what was booked since and not all there ever was.

Here: from a standing and the lines since to the mixture of each draw and the next standing. Not here: which lines
and standings there are in the database (`derive_vessel`).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from service.core.apportion import SCALE, apportion
from service.core.flow_model import PPM, FlowModel
from service.core.mixing import heel_parts
from service.core.mixture import Mixture, from_nowhere, mix
from service.core.plug_flow import plug_sources, range_of_step
from service.core.tanks_in_series import tank_sources
from service.core.vessel_book import Charge, Draw, Entry, Start, book_of, layers_within
from service.lineage.standing import HalfDrawn, Standing, past_step

# Of what entered two tanks in series so many hold-ups ago less than one part in 10**12 is left in them.
TURNOVERS = 16


@dataclass(frozen=True)
class DrawRule:
    """How one draw takes from the vessel.

    Parameters
    ----------
    lot_id : the lot that is drawn.
    model : regime in force.
    keeps_order : whether a proof narrows what may be in it to the charges whose turn it is.
    """

    lot_id: int
    model: FlowModel
    keeps_order: bool


@dataclass
class Replay:
    """One vessel's book, run on.

    Parameters
    ----------
    standing : where it begins; None where the vessel was proven empty.
    mixture_of_charge : what each charge is made of.
    rule_of_draw : how each draw takes.
    models : every model that may ever hold for the vessel: they decide what must be remembered.
    capacity_ug : dry mass the vessel is made for; the past is remembered as far as a full vessel looks back.
    cut_off : per FINE.
    """

    standing: Standing | None
    mixture_of_charge: Callable[[int], Mixture]
    rule_of_draw: Mapping[int, DrawRule]
    models: Sequence[FlowModel]
    capacity_ug: int
    cut_off: int
    drawn: dict[int, HalfDrawn] = field(default_factory=dict)

    def __post_init__(self) -> None:
        before = self.standing
        self._content = before.content if before else None
        self._layers: list[Entry] = list(before.layers) if before else []
        self._overdrawn_ug = before.overdrawn_ug if before else 0
        self._mixes = any(model.is_stirred for model in self.models)
        self._keeps_layers = any(not model.is_stirred for model in self.models)
        if before is not None:
            self.drawn = {
                line_id: HalfDrawn(list(half.parts), set(half.charges), half.is_order_lost)
                for line_id, half in before.half_drawn.items()
            }

    def run(self, charges: Sequence[Charge], draws: Sequence[Draw], until_us: int) -> Standing:
        """Book the lines up to an instant, that instant included.

        Parameters
        ----------
        charges, draws : all lines with mass moving between the standing and `until_us`.

        Returns
        -------
        how the vessel stands then. `drawn` holds every draw that was running or ended meanwhile.
        """
        before = self.standing
        since = None if before is None else Start(before.at_us, before.charged_to, before.out_to)
        book = book_of(charges, draws, until=until_us, since=since)
        for entry in book:
            self._pass(entry)
        running = tuple(sorted(line.key for line in (*charges, *draws) if line.start < until_us < line.end))
        last = book[-1]
        return Standing(
            at_us=until_us,
            charged_to=last.charged_to,
            out_to=last.out_to,
            overdrawn_ug=self._overdrawn_ug,
            content=self._content if last.charged_to > last.out_to else None,
            layers=tuple(self._layers_that_matter(last)),
            running=running,
            half_drawn={line_id: half for line_id, half in self.drawn.items() if line_id in running},
        )

    def _pass(self, entry: Entry) -> None:
        """One step of the book: what its draws took, and what is left."""
        leaving = self._stir(entry) if self._mixes else None
        book = [*self._layers, entry] if self._keeps_layers and entry.drawn else []
        self._overdrawn_ug += entry.missing_ug
        for (line_id, asked_ug), taken_ug in zip(entry.drawn, _shared_out(entry), strict=True):
            rule = self.rule_of_draw[line_id]
            half = self.drawn.setdefault(line_id, HalfDrawn())
            half.is_order_lost |= self._overdrawn_ug > 0
            half.add(from_nowhere(rule.lot_id), asked_ug - taken_ug)
            if not rule.model.is_stirred:
                self._take_in_order(book, rule, half, taken_ug)
            elif leaving is not None:
                half.add(leaving, taken_ug)
        if self._keeps_layers and entry.charged:
            self._layers.append(past_step(entry))

    def _stir(self, entry: Entry) -> Mixture | None:
        """The mixture that leaves in this step; the content is stirred on."""
        parts = [(self.mixture_of_charge(key), mass) for key, mass in entry.charged if mass]
        if not parts:
            return self._content
        charged = mix(parts)
        heel_drawn, heel_left = heel_parts(entry)
        before = self._content
        if before is None:
            self._content = mix([(charged, 1)], self.cut_off)
            return charged
        leaving = mix([(before, heel_drawn), (charged, SCALE - heel_drawn)], self.cut_off)
        self._content = mix([(before, heel_left), (charged, SCALE - heel_left)], self.cut_off)
        return leaving

    def _take_in_order(self, book: Sequence[Entry], rule: DrawRule, half: HalfDrawn, taken_ug: int) -> None:
        place, spread_ppm = len(book) - 1, rule.model.spread_ppm
        if rule.keeps_order:
            for layer, _ in layers_within(book, *range_of_step(book[place], spread_ppm)):
                half.charges.update(key for key, mass in layer.charged if mass)
        if not taken_ug:
            return
        if rule.model.keeps_order:
            weights = plug_sources(book, {place: SCALE}, spread_ppm)
        else:
            # Named as far as the past is remembered; what is not is below one part in 10**12.
            weights, _ = tank_sources(book, {place: SCALE}, rule.model.tanks, 0)
        # Mixed by weight, since whole micrograms are too coarse for shares of a small draw.
        half.add(mix([(self.mixture_of_charge(charge), weight) for charge, weight in weights.items()]), taken_ug)

    def _layers_that_matter(self, last: Entry) -> list[Entry]:
        if not self._keeps_layers:
            return []
        most_ug = max(last.content_ug, self.capacity_ug)
        back_ug = max(_looks_back_ug(most_ug, model) for model in self.models)
        return [layer for layer in self._layers if layer.charged_to > last.out_to - back_ug]


def _looks_back_ug(content_ug: int, model: FlowModel) -> int:
    """How far before the position that leaves something may have entered that still counts, micrograms."""
    if model.is_stirred:
        return 0
    return model.spread_ppm * 2 * content_ug // PPM if model.keeps_order else TURNOVERS * content_ug


def _shared_out(entry: Entry) -> list[int]:
    """What each draw of a step found there, in micrograms: in proportion, if it was not enough for all."""
    asked = [mass for _, mass in entry.drawn]
    return apportion(entry.taken_ug, asked) if any(asked) else asked
