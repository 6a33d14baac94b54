"""A plausible, invented history of one or more plants, written in bulk: real rows and real hashes, without the verbs.

For measuring and trying out what years of use feel like. Figures, names and pace are invented; only their number and
their shape matter. `history.generate` is the way in.
"""
