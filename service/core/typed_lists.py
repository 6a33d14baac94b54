"""Lists that a person types, scans or pastes into one field: codes of lots, tags of bales.

A scanner sends a line for each code, a spreadsheet lines and tabs, a person commas and spaces. A list is
read as a whole or refused as a whole, with every entry named that cannot be read.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.core.codes import CODE_LENGTH, NotACode, normalise
from service.core.typed import Unreadable

ENTRIES_MAX = 2_000
"""As many as one delivery may have bales; a longer list is a paste of the wrong column."""

_FAULTS_SHOWN = 5
_LONGEST_SHOWN = 80
_LONGEST_RANGE = 140  # two tags of 64 characters and what stands between them

_CELL_END = re.compile(r"[\t,;]")
_ADDRESS = re.compile(
    r"https?://(?P<host>[^\s/?#@]+)/L/(?P<code>[^\s/?#]+)/?(?:[?#]\S*)?",
    re.IGNORECASE,
)
_DOTS = re.compile(r"\.\.+|…")
_RANGE = re.compile(
    r"(?P<prefix>.*?)(?P<first>[0-9]{1,18}) *(?:\.\.+|…|–|-) *(?P=prefix)?(?P<last>[0-9]{1,18})",
)


class UnreadableCodes(Unreadable):
    """The text is no list of codes."""


class UnreadableTags(Unreadable):
    """The text is no list or no range of tags."""


@dataclass(frozen=True)
class TypedCodes:
    """Codes of a list in their written form.

    Parameters
    ----------
    codes : each once, in the order in which it first came.
    repeated : those that came more than once; a bale scanned twice is one bale, and the person is told.
    """

    codes: tuple[str, ...]
    repeated: tuple[str, ...]


def code_in_address(text: str, public_host: str | None = None) -> str | None:
    """The code in a scan address, ``https://host/L/CODE`` in small or capital letters; None if it is none.

    Parameters
    ----------
    public_host : the only host to accept, with its port if it has one; None accepts any, as labels outlive
        the name of a server.

    Examples
    --------
    >>> code_in_address("HTTPS://TRACE.EXAMPLE.COM/L/Q2ZTMZMYEJ")
    'Q2ZTMZMYEJ'
    """
    address = _ADDRESS.fullmatch(text.strip())
    if address is None or (public_host is not None and address["host"].lower() != public_host.lower()):
        return None
    try:
        return normalise(address["code"])
    except NotACode:
        return None


def split_codes(text: str) -> TypedCodes:
    """Codes of lots, one or several on a line, as they are or as scan addresses.

    A line that is a code as a whole is one, also in groups ('Q2ZTM ZMYEJ'). Any other line is taken apart at
    commas, semicolons and tabs, and then at spaces, where a word shorter than a code belongs to the next.

    Raises
    ------
    UnreadableCodes
        If anything in it is no code, or there are more than `ENTRIES_MAX`; the message names the lines.

    Examples
    --------
    >>> split_codes("Q2ZTM ZMYEJ\\nhttps://trace.example.com/l/4t2e1yye36, q2ztmzmyej")
    TypedCodes(codes=('Q2ZTMZMYEJ', '4T2E1YYE36'), repeated=('Q2ZTMZMYEJ',))
    """
    times: dict[str, int] = {}
    faults: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        for entry in _code_entries(line):
            try:
                code = _code_of(entry)
            except NotACode as fault:
                faults.append(f"line {number}: {fault}")
            else:
                times[code] = times.get(code, 0) + 1
    if faults:
        raise UnreadableCodes(_together(faults))
    if len(times) > ENTRIES_MAX:
        raise UnreadableCodes(f"expected at most {ENTRIES_MAX} codes, got {len(times)}: send them in parts")
    return TypedCodes(tuple(times), tuple(code for code, count in times.items() if count > 1))


def _code_entries(line: str) -> Iterator[str]:
    """What stands on a line as one code each, whether or not it is one."""
    if _is_code(line):
        yield line
        return
    for cell in _CELL_END.split(line):
        words = cell.split()
        while words:
            is_group = len(words[0].replace("-", "")) < CODE_LENGTH
            taken = 2 if is_group else 1
            yield " ".join(words[:taken])
            words = words[taken:]


def _is_code(text: str) -> bool:
    try:
        normalise(text)
    except NotACode:
        return False
    return True


def _code_of(entry: str) -> str:
    address = _ADDRESS.fullmatch(entry)
    return normalise(entry if address is None else address["code"])


def split_tags(text: str) -> list[str | None]:
    """Tags of the bales of a truck, in their order: one on a line, or several with tabs, commas or semicolons.

    An empty line or cell between others is a bale without a tag. Empty lines at both ends and empty cells at
    the end of a line are nothing. 'A001..A048' stands for all of them, see `expand_range`.

    Returns
    -------
    list of str or None
        None for a bale without a tag. Tags need not be unique.

    Raises
    ------
    UnreadableTags
        If a range cannot be read, or there are more than `ENTRIES_MAX`.

    Examples
    --------
    >>> split_tags("A001\\n\\nA003\\nB9;B10;")
    ['A001', None, 'A003', 'B9', 'B10']
    """
    tags: list[str | None] = []
    faults: list[str] = []
    for number, line in _inner_lines(text.splitlines()):
        for cell in _cells(line):
            try:
                tags.extend(expand_range(cell) if _DOTS.search(cell) else [cell or None])
            except UnreadableTags as fault:
                faults.append(f"line {number}: {fault}")
        if len(tags) > ENTRIES_MAX:  # at once: each line may stand for thousands
            raise UnreadableTags(
                f"expected at most {ENTRIES_MAX} bales, got more at line {number}: check what was pasted"
            )
    if faults:
        raise UnreadableTags(_together(faults))
    return tags


def _inner_lines(lines: Sequence[str]) -> list[tuple[int, str]]:
    """The lines from the first to the last that are not empty, numbered as the person sees them."""
    filled = [number for number, line in enumerate(lines) if line.strip()]
    return [(number + 1, lines[number]) for number in range(filled[0], filled[-1] + 1)] if filled else []


def _cells(line: str) -> list[str]:
    cells = [cell.strip() for cell in _CELL_END.split(line)]
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    return cells


def expand_range(text: str) -> list[str]:
    """Every tag of a range: 'A001..A048', also 'A001-A048', 'A001..048' or 'A98..A102'.

    Both ends begin alike and end in digits. Numbers keep their width; ends of different width are a range
    only if no number begins with 0.

    Raises
    ------
    UnreadableTags
        If it is no such range, runs backwards, or has more than `ENTRIES_MAX` tags.

    Examples
    --------
    >>> expand_range("A008..A011")
    ['A008', 'A009', 'A010', 'A011']
    """
    shown = repr(text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}...")
    match = _RANGE.fullmatch(text.strip()) if len(text) <= _LONGEST_RANGE else None
    if match is None:
        raise UnreadableTags(
            f"expected two tags that begin alike and end in digits, got {shown}: type it such as A001..A048"
        )
    first, last = match["first"], match["last"]
    if len(first) != len(last) and (first[0] == "0" or last[0] == "0"):
        raise UnreadableTags(
            f"expected numbers of the same width, got {first} and {last} in {shown}: type both with the same "
            "number of digits"
        )
    count = int(last) - int(first) + 1
    if not 1 <= count <= ENTRIES_MAX:
        raise UnreadableTags(
            f"expected a range of 1 to {ENTRIES_MAX} tags, got {first} to {last} in {shown}: "
            "type the lower number first and check the digits"
        )
    return [f"{match['prefix']}{number:0{len(first)}d}" for number in range(int(first), int(last) + 1)]


def _together(faults: Sequence[str]) -> str:
    more = len(faults) - _FAULTS_SHOWN
    return "; ".join([*faults[:_FAULTS_SHOWN], *([f"and {more} more"] if more > 0 else [])])
