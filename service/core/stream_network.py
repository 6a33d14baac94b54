"""Streams between nodes: what is known of each, in arrays that a solver can use.

A stream carries mass from one node to another; no node means the world outside. What is known of its mass is a
``Measured`` with its doubt by cause, or nothing. A cause only one stream rests on is that stream's own doubt; a cause
several rest on (one scale, one moisture sample) stays a column of its own, so that the covariance of the streams is
V = D + B B' with D diagonal, exact and never formed.

Not here: what the streams are in a plant (``balances``), and what follows from the network (``reconciliation``).
"""

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse

from service.core.measured import Cause, Measured
from service.core.quantities import UG_PER_KG

OUTSIDE = -1
# Nodes add their streams in 64-bit integers: what all streams carry together must fit.
SUM_LIMIT_UG = 2**62

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


class Unreconcilable(ValueError):
    """The network cannot be reconciled as stated; the message says what is missing and what still can be said."""


class NoNetwork(Unreconcilable):
    """The streams do not make up a network: no streams, a name twice, a stream from a node to itself."""


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream and what is known of its mass.

    Parameters
    ----------
    name : unique in its network.
    from_node, to_node : None is the world outside.
    quantity : None if nothing measured it; without parts it is exact and held.
    """

    name: str
    from_node: str | None
    to_node: str | None
    quantity: Measured | None


@dataclass(frozen=True, eq=False)
class Network:
    """Streams and nodes as arrays, one place per stream.

    Parameters
    ----------
    names, nodes : what the places and the numbers of nodes stand for.
    tail, head : number of the node a stream leaves and reaches, `OUTSIDE` for none.
    value_ug : micrograms as measured, 0 where nothing is.
    is_measured : whether there is a value.
    variance_kg2 : of the doubt that is the stream's own; 0 where exact or unmeasured.
    causes : what several streams rest on.
    loadings_kg : streams x causes, the standard uncertainty each cause brings, with its sign.
    """

    names: tuple[str, ...]
    nodes: tuple[str, ...]
    tail: Integers
    head: Integers
    value_ug: Integers
    is_measured: Flags
    variance_kg2: Floats
    causes: tuple[Cause, ...]
    loadings_kg: sparse.csr_array

    @property
    def is_doubtful(self) -> Flags:
        """Measured and not exact."""
        doubtful: Flags = (self.variance_kg2 > 0) | (np.diff(self.loadings_kg.indptr) > 0)
        return doubtful

    @cached_property
    def total_variance_kg2(self) -> Floats:
        """Variance of each stream, its own and what it shares."""
        shared = self.loadings_kg.multiply(self.loadings_kg).sum(axis=1)
        total: Floats = self.variance_kg2 + np.asarray(shared).ravel()
        return total


def network_of(streams: Iterable[Stream]) -> Network:
    """The network of some streams; nodes are those the streams name, in the order they are first named.

    Raises
    ------
    NoNetwork
        No streams, a name twice, a stream from a node to itself or from outside to outside, an uncertainty that is no
        number, or more mass than can be added exactly (4.6 million tonnes in all).

    Examples
    --------
    >>> network = network_of([Stream("in", None, "mill", Measured(5)), Stream("out", "mill", None, None)])
    >>> network.nodes, network.tail.tolist(), network.head.tolist(), network.is_measured.tolist()
    (('mill',), [-1, 0], [0, -1], [True, False])
    """
    listed = tuple(streams)
    if not listed:
        raise NoNetwork("there are no streams: give at least one")
    number: dict[str, int] = {}
    tail, head = np.empty(len(listed), dtype=np.int64), np.empty(len(listed), dtype=np.int64)
    names: set[str] = set()
    for place, stream in enumerate(listed):
        _require_sound(stream, names)
        names.add(stream.name)
        tail[place] = _numbered(number, stream.from_node)
        head[place] = _numbered(number, stream.to_node)
    values = [stream.quantity.value_ug if stream.quantity is not None else 0 for stream in listed]
    if sum(map(abs, values)) > SUM_LIMIT_UG:
        raise NoNetwork(f"all streams together are more than {SUM_LIMIT_UG // (1000 * UG_PER_KG):,} t: check the unit")
    variance, causes, loadings = _doubts(listed)
    return Network(
        names=tuple(stream.name for stream in listed),
        nodes=tuple(number),
        tail=tail,
        head=head,
        value_ug=np.array(values, dtype=np.int64),
        is_measured=np.array([stream.quantity is not None for stream in listed], dtype=bool),
        variance_kg2=variance,
        causes=causes,
        loadings_kg=loadings,
    )


def _require_sound(stream: Stream, names: set[str]) -> None:
    if stream.name in names:
        raise NoNetwork(f"two streams are called {stream.name!r}: give each its own name")
    if stream.from_node == stream.to_node:
        where = "outside to outside" if stream.from_node is None else f"node {stream.from_node!r} to itself"
        raise NoNetwork(f"stream {stream.name!r} runs from {where}: it moves nothing, leave it out")
    parts = () if stream.quantity is None else stream.quantity.parts.values()
    if not all(math.isfinite(u_ug) for u_ug in parts):
        raise NoNetwork(f"the uncertainty of stream {stream.name!r} is no number")


def _numbered(number: dict[str, int], node: str | None) -> int:
    return OUTSIDE if node is None else number.setdefault(node, len(number))


def _doubts(listed: tuple[Stream, ...]) -> tuple[Floats, tuple[Cause, ...], sparse.csr_array]:
    """What is each stream's own, and what several share."""
    measured = [(place, stream.quantity) for place, stream in enumerate(listed) if stream.quantity is not None]
    rested = Counter(cause for _, quantity in measured for cause, u_ug in quantity.parts.items() if u_ug)
    causes = tuple(cause for cause, streams in rested.items() if streams > 1)
    column = {cause: place for place, cause in enumerate(causes)}
    variance = np.zeros(len(listed))
    rows: list[int] = []
    columns: list[int] = []
    entries: list[float] = []
    for place, quantity in measured:
        for cause, u_ug in quantity.parts.items():
            u_kg = u_ug / UG_PER_KG
            if cause in column:
                rows.append(place)
                columns.append(column[cause])
                entries.append(u_kg)
            else:
                variance[place] += u_kg * u_kg
    shape = (len(listed), len(causes))
    return variance, causes, sparse.csr_array((entries, (rows, columns)), shape=shape, dtype=np.float64)
