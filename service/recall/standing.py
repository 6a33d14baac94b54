"""Where the affected lots stand now: in the plant, on a truck, gone, or used up into others; and in which vessels."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import cached_property

from sqlmodel import Session

from service.core.quantities import divide_half_up
from service.core.recall import Standing
from service.journal.read import Knowledge, current_by_id
from service.lineage.basis import basis_words
from service.lineage.down import AffectedContent, affected_content
from service.lineage.flows import ProcessRow
from service.lineage.graph import LotGraph
from service.lots.rows import LineRow
from service.lots.statuses import Step
from service.lots.stock import LotAccount, accounts_of, line_masses
from service.lots.tables import Process
from service.plant.tables import Equipment

LEAVES_THE_PLANT = frozenset({Step.SHIPPING, Step.RETURN_TO_SUPPLIER})


@dataclass(frozen=True)
class Departure:
    """Mass of a lot that was loaded or went out."""

    process: Process
    mass_g: int

    @property
    def left_at(self) -> datetime | None:
        """When the truck left; None while the shipment has not ended."""
        return self.process.ended_at

    @property
    def is_return(self) -> bool:
        return self.process.step is Step.RETURN_TO_SUPPLIER


@dataclass(frozen=True)
class LotStanding:
    """The account of one affected lot, by where its mass is."""

    account: LotAccount
    departures: tuple[Departure, ...]
    share_e12: int

    @cached_property
    def standing(self) -> Standing:
        def gone(*, is_return: bool, has_left: bool) -> int:
            return sum(
                one.mass_g
                for one in self.departures
                if one.is_return is is_return and (one.left_at is not None) is has_left
            )

        return Standing(
            on_site_g=self.account.on_hand_g,
            loading_g=gone(is_return=False, has_left=False) + gone(is_return=True, has_left=False),
            shipped_g=gone(is_return=False, has_left=True),
            returned_g=gone(is_return=True, has_left=True),
            share_e12=self.share_e12,
        )

    @property
    def used_up_g(self) -> int:
        """What went into other lots and vessels."""
        return (self.account.mass_g or 0) - self.standing.whole_g


@dataclass(frozen=True)
class VesselStanding:
    """What stands in a vessel that may hold some of the affected lots.

    Parameters
    ----------
    content_g : by the book, with the moisture it was charged with.
    charged_lots : the affected lots that may be in it.
    """

    vessel: Equipment
    content_g: int
    content_dry_ug: int
    share_e12: int
    charged_lots: frozenset[int]

    @property
    def standing(self) -> Standing:
        return Standing(on_site_g=self.content_g, share_e12=self.share_e12)


@dataclass(frozen=True)
class Passage:
    """A vessel's period that affected lots went through.

    Parameters
    ----------
    is_proven : it was proven to keep its order for every draw that gave out an affected lot.
    basis : what is known of its flow, as a sentence.
    """

    period: Process
    vessel: Equipment
    is_proven: bool
    basis: str


class Whereabouts:
    """Reads where some lots are, for one question, as known at one state of knowledge.

    Parameters
    ----------
    shares : expected share of the bad material by lot, per 10**12; the bad lots themselves are wholly bad.
    """

    def __init__(self, session: Session, shares: Mapping[int, int], known: Knowledge | None = None) -> None:
        self._session = session
        self._known = known
        self._shares = shares
        self._graph = LotGraph(session, known)
        self._accounts = accounts_of(session, shares, known)
        takers = {line.process_id for account in self._accounts.values() for line, _ in account.taken}
        self._processes = current_by_id(session, Process, takers, known)

    def lots(self) -> dict[int, LotStanding]:
        """Each lot with where its mass is, in the order given."""
        return {
            lot_id: LotStanding(self._accounts[lot_id], self._departures(self._accounts[lot_id]), share_e12)
            for lot_id, share_e12 in self._shares.items()
        }

    def _departures(self, account: LotAccount) -> tuple[Departure, ...]:
        masses: dict[int, int] = defaultdict(int)
        for line, mass_g in account.taken:
            if self._processes[line.process_id].step in LEAVES_THE_PLANT:
                masses[line.process_id] += mass_g
        return tuple(Departure(self._processes[process_id], mass_g) for process_id, mass_g in masses.items())

    @cached_property
    def _charges(self) -> dict[int, list[LineRow]]:
        """Lines that charged affected lots into vessels, by the vessel's period."""
        found: dict[int, list[LineRow]] = defaultdict(list)
        for account in self._accounts.values():
            for line, _ in account.taken:
                if self._processes[line.process_id].step is Step.VESSEL_PERIOD:
                    found[line.process_id].append(line)
        return dict(sorted(found.items()))

    @cached_property
    def _vessels(self) -> dict[int, Equipment]:
        wanted = {self._processes[process_id].equipment_id or 0 for process_id in self._charges}
        return current_by_id(self._session, Equipment, wanted, self._known)

    def vessels(self) -> list[VesselStanding]:
        """Vessels in whose present content some of the lots may stand; one proven empty since holds none."""
        found = []
        for process_id in self._charges:
            period = self._processes[process_id]
            content = affected_content(self._graph, process_id, self._shares) if period.ended_at is None else None
            if content is not None:
                found.append(
                    VesselStanding(
                        vessel=self._vessels[period.equipment_id or 0],
                        content_g=self._wet_g(content),
                        content_dry_ug=content.held.dry_ug,
                        share_e12=content.share_e12,
                        charged_lots=content.inside,
                    )
                )
        return found

    def _wet_g(self, content: AffectedContent) -> int:
        """The content with the moisture of what was charged, in grams half up."""
        left_ug = dict(content.held.by_charge)
        feeds = [dry for dry in content.flow.feeds if dry.line.id in left_ug]
        masses = line_masses(self._session, [dry.line for dry in feeds], self._known)
        wet = sum((Fraction(left_ug[dry.line.id] * masses[dry.line.id], dry.dry_ug) for dry in feeds), Fraction(0))
        return divide_half_up(wet.numerator, wet.denominator)

    def passages(self) -> list[Passage]:
        """Every vessel period the lots went through, oldest first."""
        periods = sorted((self._processes[found] for found in self._charges), key=lambda one: one.started_at)
        return [self._passage(period) for period in periods]

    def _passage(self, period: Process) -> Passage:
        """A period with what its flow rests on when it last gave out an affected lot; before that, when charged."""
        row = ProcessRow(period.id, period.mixing, period.equipment_id, period.ended_at)
        regimes, vessel = self._graph.regimes, self._vessels[period.equipment_id or 0]
        produced = [line for account in self._accounts.values() for line in account.produced]
        draws = [line for line in produced if line.process_id == period.id]
        is_proven = all(
            regimes.model_at(row, draw.start_at).keeps_order and regimes.is_proven(row, draw.start_at, draw.end_at)
            for draw in draws
        )
        last_at = max(line.start_at for line in draws or self._charges[period.id])
        return Passage(period, vessel, is_proven, basis_words(vessel, regimes.statement_at(row, last_at)))
