"""An independent answer to "which bales may be in it": breadth first over the lines, whatever their shares.

Everything that was fed to a run may be in all it made; everything charged to a vessel before a draw was over may be in
the draw. Only where nothing narrows that: no residence data, no proven order (`NotPlain`).
"""

from service.lineage.independent_lines import Event, LinesRead, NotPlain


def may_be_in(lines: LinesRead, lot_id: int) -> frozenset[int]:
    """Every origin lot that may be in a lot.

    Raises
    ------
    NotPlain : a proof narrows what may be in something on the way.
    """
    lines.forget()
    origins: set[int] = set()
    seen, waiting = {lot_id}, [lot_id]
    looked_at: dict[int, tuple[int, int]] = {}  # processes, with the latest end of a draw asked of them
    while waiting:
        makers = lines.makers_of(asked := waiting.pop())
        if not makers:
            origins.add(asked)
        for maker in makers:
            ends = _end_of(maker)
            if looked_at.get(maker.process_id, (-1, 0)) >= ends:
                continue
            looked_at[maker.process_id] = ends
            fresh = {fed.lot_id for fed in _fed_before(lines, maker)} - seen
            seen |= fresh
            waiting += fresh
    return frozenset(origins)


def _fed_before(lines: LinesRead, maker: Event) -> list[Event]:
    process = lines.kind_of(maker.process_id)
    charges = [event for event in lines.events_of(maker.process_id) if event.is_in]
    if process.mixing == "run_mixed":
        return charges
    if process.mixing != "well_mixed" and process.proof_from is not None:
        raise NotPlain(f"the order of charges may be proven for vessel period {maker.process_id}")
    return [charge for charge in charges if (charge.start_us, _is_interval(charge)) < _end_of(maker)]


def _is_interval(event: Event) -> int:
    return int(event.end_us > event.start_us)


def _end_of(draw: Event) -> tuple[int, int]:
    """When a draw is over: an interval before the charges of its last instant, an instant after those of its own."""
    return draw.end_us, 1 - _is_interval(draw)
