"""Unmeasured streams: which the balances determine, and their masses.

An unmeasured stream is determined exactly when it is a bridge of the unmeasured streams (the world outside counts as
a node): cut it, and one side's balance has it as the only unknown. Streams on a loop of unmeasured ones can carry any
mass round it, so no balance determines them. (Known in the literature as observability of a flow network: Kretsovalis
and Mah; from memory.)
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from scipy import sparse

from service.core.stream_network import OUTSIDE, Flags, Integers, Network

# The doubt of a followed stream costs a solve each; beyond this many none is prepared.
_BORDERS_MOST = 2_000


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """Masses of all streams, with those that follow from the balances filled in.

    Parameters
    ----------
    value_ug : 0 where undetermined.
    borders : for each unmeasured stream that is determined, the measured streams its mass is the sum of, with signs.
    """

    value_ug: Integers
    is_determined: Flags
    borders: Mapping[int, sparse.csr_array]


def followed_of(network: Network, values_ug: Integers) -> Followed:
    """Fill in what the balances determine of the unmeasured streams, given the values of the others."""
    determined = network.is_measured.copy()
    if determined.all():
        return Followed(values_ug, determined, {})
    values = values_ug.copy()
    incidence = _incidence(network)
    # What a node has too much of, without its unmeasured streams; python integers never overflow.
    surplus: list[int] = [*(incidence @ np.where(determined, values_ug, 0)).tolist(), 0]
    search = _searched(network)
    running = list(accumulate((surplus[node] for node in search.order), initial=0))
    borders: dict[int, sparse.csr_array] = {}
    for stream, (first, end) in search.below.items():
        inside = running[end] - running[first]
        # The surplus of the far side leaves over the bridge: with the stream if it begins there, else against it.
        sign = 1 if first <= search.place[int(network.tail[stream]) % (len(network.nodes) + 1)] < end else -1
        values[stream] = sign * inside
        determined[stream] = True
        if len(search.below) <= _BORDERS_MOST:
            crossing = incidence[sorted(search.order[first:end])].sum(axis=0) * network.is_measured * float(sign)
            borders[stream] = sparse.csr_array(crossing[np.newaxis, :])
    values[~determined] = 0
    return Followed(values, determined, borders)


def _incidence(network: Network) -> sparse.csr_array:
    """Nodes x streams: +1 where a stream reaches a node, -1 where it leaves it."""
    leaves, reaches = network.tail != OUTSIDE, network.head != OUTSIDE
    places = np.arange(len(network.names))
    return sparse.csr_array(
        (
            np.concatenate([np.full(leaves.sum(), -1, dtype=np.int64), np.full(reaches.sum(), 1, dtype=np.int64)]),
            (
                np.concatenate([network.tail[leaves], network.head[reaches]]),
                np.concatenate([places[leaves], places[reaches]]),
            ),
        ),
        shape=(len(network.nodes), len(network.names)),
    )


@dataclass(frozen=True, slots=True)
class _Search:
    """A depth-first search of the unmeasured streams.

    Parameters
    ----------
    order : nodes as they were entered; the world outside is the number after the last node.
    place : of each node in that order.
    below : for each bridge, the slice of the order that lies beyond it, away from the world outside.
    """

    order: list[int]
    place: dict[int, int]
    below: dict[int, tuple[int, int]]


def _searched(network: Network) -> _Search:
    """Find the unmeasured streams that are on no loop of unmeasured ones.

    Depth first, without recursion: a link is a bridge if nothing below it reaches above it by another link.
    """
    outside = len(network.nodes)
    links: dict[int, list[tuple[int, int]]] = {}
    for stream in np.flatnonzero(~network.is_measured).tolist():
        tail, head = int(network.tail[stream]) % (outside + 1), int(network.head[stream]) % (outside + 1)
        links.setdefault(tail, []).append((head, stream))
        links.setdefault(head, []).append((tail, stream))
    place: dict[int, int] = {}
    lowest: dict[int, int] = {}
    order: list[int] = []
    below: dict[int, tuple[int, int]] = {}
    # The world outside has no balance, so the search of its part begins there.
    for root in sorted(links, reverse=True):
        if root in place:
            continue
        place[root] = lowest[root] = len(order)
        order.append(root)
        path = [(root, -1, iter(links[root]))]
        while path:
            node, came_by, onward = path[-1]
            for reached, stream in onward:
                if stream == came_by:
                    continue
                if reached in place:
                    lowest[node] = min(lowest[node], place[reached])
                    continue
                place[reached] = lowest[reached] = len(order)
                order.append(reached)
                path.append((reached, stream, iter(links[reached])))
                break
            else:
                path.pop()
                if path:
                    above = path[-1][0]
                    lowest[above] = min(lowest[above], lowest[node])
                    if lowest[node] > place[above]:
                        below[came_by] = (place[node], len(order))
    return _Search(order, place, below)
