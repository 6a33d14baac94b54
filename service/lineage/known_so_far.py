"""What is known of lots while something is worked out: as stored, or as worked out since; stored all at once."""

from collections.abc import Iterable

from sqlalchemy import delete, insert, select
from sqlmodel import Session, col

from service.core.mixture import FINE, Mixture, of_source
from service.journal.one_of import one_of
from service.journal.read import chunks, current_by_id
from service.lineage.flows import charge_code, process_rows
from service.lineage.period_lines import lines_by_id
from service.lineage.stored import EVER, Derived, derived_lots, store_derived
from service.lineage.tables import SourceMember, VesselReach, plain
from service.lots.rows import known_lots
from service.lots.statuses import Direction, LotOrigin
from service.plant.statuses import WasteClass
from service.plant.tables import Material


class KnownSoFar:
    """Compositions of lots, members of sources and charges of vessels, for one entry."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._before: dict[int, Derived | None] = {}
        self._now: dict[int, Derived | None] = {}
        self._post_consumer: dict[int, bool] = {}
        self._counts: dict[int, bool] = {}
        self._members: dict[int, dict[int, int]] = {}
        self._charges: set[int] = set()

    @property
    def pieces(self) -> int:
        """How many lots are held in memory."""
        return len(self._before) + len(self._post_consumer) // 16

    def preload(self, lot_ids: Iterable[int]) -> None:
        """Read what is stored of many lots at once."""
        missing = {lot_id for lot_id in lot_ids if lot_id not in self._before}
        if missing:
            self._before |= dict.fromkeys(missing) | derived_lots(self.session, missing)

    def derived(self, lot_id: int) -> Derived | None:
        """What a made lot is made of; None for an origin lot."""
        if lot_id in self._now:
            return self._now[lot_id]
        if lot_id not in self._before:
            self.preload([lot_id])
        return self._before[lot_id]

    def is_news(self, lot_id: int, derived: Derived | None) -> bool:
        """Whether something else was known of a lot so far."""
        return self.derived(lot_id) != derived

    def put(self, lot_id: int, derived: Derived | None) -> bool:
        """Remember what holds of a lot now; whether that is anything new."""
        if not self.is_news(lot_id, derived):
            return False
        before = self.derived(lot_id)
        if before is not None and lot_id in before.reach and (derived is None or lot_id not in derived.reach):
            self._members[lot_id] = {}  # no window lets origin lots into it any more
        self._now[lot_id] = derived
        return True

    def brought_by(self, line_id: int, lot_id: int) -> dict[int, int]:
        """What one charge brings into a vessel, in the terms of `Derived.reach`."""
        derived = self.derived(lot_id)
        return {line_id: EVER} if derived is None else {lot_id: EVER, **derived.reach}

    def mixture_of(self, line_id: int, lot_id: int) -> Mixture:
        """What one charge is made of; an origin lot is a source of its own."""
        derived = self.derived(lot_id)
        if derived is None:
            return of_source(line_id, FINE if self.is_post_consumer(lot_id) else 0)
        return derived.mixture

    def is_post_consumer(self, lot_id: int) -> bool:
        """Whether an origin lot counts as post-consumer; what stood here before records began has no proof of it."""
        if lot_id not in self._post_consumer:
            self.look_at_origins([lot_id])
        return self._post_consumer[lot_id]

    def look_at_origins(self, lot_ids: Iterable[int]) -> None:
        """Find for many origin lots at once whether they count."""
        wanted = {lot_id for lot_id in lot_ids if lot_id not in self._post_consumer}
        if not wanted:
            return
        lots = known_lots(self.session, wanted)
        named = {one.material_id for one in lots.values() if one.material_id is not None}
        for material in current_by_id(self.session, Material, named - self._counts.keys()).values():
            self._counts[material.id] = material.waste_class is WasteClass.POST_CONSUMER
        for lot_id, one in lots.items():
            is_counted = self._counts.get(one.material_id or 0, False)
            self._post_consumer[lot_id] = is_counted and one.lot.origin is LotOrigin.DELIVERY

    def set_members(self, source_id: int, weights: dict[int, int]) -> None:
        """State the origin lots of a source."""
        self._members[source_id] = weights

    def look_at_charges(self, line_ids: Iterable[int]) -> None:
        """State anew, once all is worked out, what these lines brought into their vessels."""
        self._charges.update(line_ids)

    def store(self, seq: int) -> int:
        """Store what is new and let go of everything; how many lots changed."""
        changed = {lot: (self._before[lot], now) for lot, now in self._now.items() if self._before[lot] != now}
        store_derived(self.session, seq, changed)
        self._store_charges()
        self._store_members()
        for memory in (self._before, self._now, self._post_consumer, self._members):
            memory.clear()
        self._charges.clear()
        return len(changed)

    def _store_charges(self) -> None:
        if not self._charges:
            return
        for portion in chunks(self._charges):
            session, bound = self.session, {"wanted": portion}
            session.execute(delete(plain(VesselReach)).where(one_of(col(VesselReach.line_id), "wanted")), bound)
        lines = [line for line in lines_by_id(self.session, self._charges) if line.direction is Direction.IN]
        self.preload(line.lot_id or 0 for line in lines)
        periods = process_rows(self.session, {line.process_id for line in lines})
        self._members |= {line_id: {} for line_id in self._charges}
        reached: list[dict[str, int]] = []
        for line in lines:
            lot_id = line.lot_id or 0
            if not periods[line.process_id].is_vessel:
                continue
            if self.derived(lot_id) is None:
                self._members[line.id] = {lot_id: 1}
            place = {"line_id": line.id, "period_id": line.process_id, "at_code": charge_code(line)}
            brought = self.brought_by(line.id, lot_id)
            reached += [{**place, "source_id": source, "until_code": until} for source, until in brought.items()]
        if reached:
            self.session.execute(insert(plain(VesselReach)), reached)

    def _store_members(self) -> None:
        """Put the members stated in the place of those there were."""
        before: dict[int, dict[int, int]] = {source: {} for source in self._members}
        query = select(col(SourceMember.source_id), col(SourceMember.lot_id), col(SourceMember.weight)).where(
            one_of(col(SourceMember.source_id), "wanted")
        )
        for portion in chunks(self._members):
            for source_id, lot_id, weight in self.session.execute(query, {"wanted": portion}):
                before[source_id][lot_id] = weight
        changed = {source: now for source, now in self._members.items() if before[source] != now}
        for portion in chunks(source for source in changed if before[source]):
            gone = delete(plain(SourceMember)).where(one_of(col(SourceMember.source_id), "wanted"))
            self.session.execute(gone, {"wanted": portion})
        fresh = [
            {"source_id": source, "lot_id": lot_id, "weight": weight}
            for source, now in changed.items()
            for lot_id, weight in now.items()
        ]
        if fresh:
            self.session.execute(insert(plain(SourceMember)), fresh)
