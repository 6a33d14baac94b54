"""A plant's period as a network of independent readings: what `core.reconciliation` is asked about.

Nodes are balances that must hold: closed runs and vessel periods, lots that were made here, and two checks per truck.
Streams are readings, each once. What follows from another reading is none:

* A lot taken `whole` or `rest` is unmeasured there; it follows from the reading that made it, so one reading moves two
  nodes.
* Bales and loads of a truck, and other lots whose history begins here, enter a run with the doubt of the readings
  their mass came from. These are shared causes (the gross of a ticket, a scale's span, a truck's moisture), through
  which a truck's own checks and all runs it was fed to know of each other.
* A truck read more than once is checked apart, in wet material mass, where moisture plays no part: supplier's note
  against our weighbridge, and our weighbridge against the platform weights, if every bale was weighed there.
* What is open at the end (a run that goes on, a vessel that was not proven empty, what is left of a lot) is the world
  outside: it demands nothing, until its content is read.

Pure: rows in, network out. `reconcile` reads the rows.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from service.core.measured import Measured
from service.core.stream_network import Stream


@dataclass(frozen=True, slots=True)
class CheckedTruck:
    """A truck's readings, in wet material mass.

    Parameters
    ----------
    ticket : its number, as printed.
    bridge : gross less tare less listed ties and pallets.
    note : the supplier's mass less the same; None if none was stated.
    platform : sum of the bales' platform weights; None unless all of them were weighed.
    pieces : how many bales that are.
    """

    ticket: str
    bridge: Measured
    note: Measured | None = None
    platform: Measured | None = None
    pieces: int = 0


@dataclass(frozen=True, slots=True)
class Fed:
    """What a closed process took of lots whose history begins here: a truck's, or opening stock.

    Parameters
    ----------
    source : 'bales of ticket 000017', 'lot QQ...'.
    dry : their dry mass with its doubt, as taken together.
    """

    process: str
    source: str
    dry: Measured


@dataclass(frozen=True, slots=True)
class Moved:
    """A line between a closed process and a lot made here, or out of sight.

    Parameters
    ----------
    name : what people call it, unique in the network.
    process : None if the process is open or not of this kind: the world outside.
    lot : None if the line has no lot, or one that is not followed.
    is_into_process : fed, charged; else discharged, drawn, lost.
    dry : None for `whole` and `rest`.
    """

    name: str
    process: str | None
    lot: str | None
    is_into_process: bool
    dry: Measured | None


@dataclass(frozen=True, slots=True)
class PlantNetwork:
    """The streams of a period.

    Parameters
    ----------
    checks : nodes that compare readings of one truck; nothing can leave them unbooked.
    """

    streams: tuple[Stream, ...]
    checks: frozenset[str] = field(default_factory=frozenset)


def note_check(ticket: str) -> str:
    return f"ticket {ticket}, supplier's note against weighbridge"


def platform_check(ticket: str) -> str:
    return f"ticket {ticket}, weighbridge against platform"


def network_streams(
    trucks: Iterable[CheckedTruck], fed: Iterable[Fed], moved: Sequence[Moved], left_over: Iterable[str] = ()
) -> PlantNetwork:
    """The network of a period.

    Parameters
    ----------
    left_over : lots of which something is left, or may be: their rest is unmeasured.
    """
    streams: list[Stream] = []
    checks: set[str] = set()
    for truck in trucks:
        made = list(_truck_streams(truck))
        streams += made
        checks |= {node for stream in made for node in (stream.from_node, stream.to_node) if node is not None}
    streams += [Stream(f"{each.source} into {each.process}", None, each.process, each.dry) for each in fed]
    for line in moved:
        ends = (line.lot, line.process) if line.is_into_process else (line.process, line.lot)
        if ends[0] != ends[1]:
            streams.append(Stream(line.name, *ends, line.dry))
    streams += [Stream(f"what is left of {lot}", lot, None, None) for lot in left_over]
    return PlantNetwork(tuple(streams), frozenset(checks))


def _truck_streams(truck: CheckedTruck) -> Iterable[Stream]:
    """Readings of one load in a row: each joins two checks, so that one wrong reading fails them in opposite ways."""
    first = None if truck.note is None else note_check(truck.ticket)
    second = None if truck.platform is None else platform_check(truck.ticket)
    if first is None and second is None:
        return
    if truck.note is not None:
        yield Stream(f"supplier's note of ticket {truck.ticket}", None, first, truck.note)
    yield Stream(f"weighbridge net of ticket {truck.ticket}", first, second, truck.bridge)
    if truck.platform is not None:
        name = f"platform weights of {truck.pieces} bales of ticket {truck.ticket}"
        yield Stream(name, second, None, truck.platform)
