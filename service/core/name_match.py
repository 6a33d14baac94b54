"""Which names of a list somebody means by what he typed: nothing learned, nothing remembered."""

from collections.abc import Sequence
from difflib import SequenceMatcher

CLOSE_ENOUGH = 0.6
"""Share of matching characters from which a spelling counts as close; difflib's own default cut-off."""


def plain_name(written: str) -> str:
    """A name without case and with single spaces.

    Examples
    --------
    >>> plain_name("  North   YARD ") == plain_name("north yard")
    True
    """
    return " ".join(written.casefold().split())


def names_meant(typed: str, names: Sequence[str], limit: int) -> list[int]:
    """Places in `names` of those that may be meant, the likeliest first.

    First the names that are equal but for case and spaces, then those that hold every typed word, then close
    spellings. Within a group the likelier spelling comes first, and of equal ones the earlier name.

    Examples
    --------
    >>> names = ["North Yard Sorting", "Riverbend Sorting", "Sorting North", "north yard  SORTING"]
    >>> names_meant("north yard sorting", names, 2)
    [0, 3]
    >>> names_meant("sorting nor", names, 9)
    [2, 0, 3]
    >>> names_meant("Riverbent sorting", names, 9)
    [1]
    >>> names_meant(" ", names, 9)
    []
    """
    wanted = plain_name(typed)
    if not wanted:
        return []
    words = wanted.split()
    matcher = SequenceMatcher(autojunk=False)
    matcher.set_seq2(wanted)  # difflib prepares the second sequence once for all comparisons
    ranked: list[tuple[int, float, int]] = []
    for place, name in enumerate(names):
        plain = plain_name(name)
        matcher.set_seq1(plain)
        if plain == wanted:
            ranked.append((0, 0.0, place))
        elif all(word in plain for word in words):
            ranked.append((1, -matcher.ratio(), place))
        # The two upper bounds are cheap and spare most names the full comparison.
        elif matcher.real_quick_ratio() >= CLOSE_ENOUGH and matcher.quick_ratio() >= CLOSE_ENOUGH:
            closeness = matcher.ratio()
            if closeness >= CLOSE_ENOUGH:
                ranked.append((2, -closeness, place))
    return [place for _, _, place in sorted(ranked)[:limit]]
