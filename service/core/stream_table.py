"""A network of streams written as a table of text, read strictly: every fault with its line and column.

Columns ``stream,from_node,to_node,value_kg,u_kg``: an empty node is the world outside, an empty value is unmeasured, a
doubt of 0 is exact. Doubts in such a table are independent of each other; it has no place for what readings share.
Values are read to the microgram; anything finer is rounded half to even.
"""

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext

from service.core.measured import Cause, CauseKind, Measured
from service.core.quantities import GRAMS_PER_KG, MASS_LIMIT_G, UG_PER_KG

COLUMNS = ("stream", "from_node", "to_node", "value_kg", "u_kg")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_LONGEST_NUMBER = 60
_LIMIT_KG = MASS_LIMIT_G // GRAMS_PER_KG
_DIGITS = 60


@dataclass(frozen=True, slots=True)
class TableFault:
    """One thing wrong with a table.

    Parameters
    ----------
    line : counted from 1, the heading included; 0 for the whole table.
    column : its name, '' for the whole line.
    """

    line: int
    column: str
    detail: str
    remedy: str

    def __str__(self) -> str:
        where = f"line {self.line}" + (f", {self.column}" if self.column else "") if self.line else "the table"
        return f"{where}: {self.detail}; {self.remedy}"


class UnreadableTable(ValueError):
    """The table cannot be read; every fault found is in `faults`."""

    def __init__(self, faults: Sequence[TableFault]) -> None:
        super().__init__("; ".join(map(str, faults)))
        self.faults = tuple(faults)


@dataclass(frozen=True, slots=True)
class TableStream:
    """One line of the table.

    Parameters
    ----------
    value_ug : None if unmeasured.
    u_ug : 0 if exact; None if unmeasured.
    """

    name: str
    from_node: str | None
    to_node: str | None
    value_ug: int | None
    u_ug: float | None

    @property
    def quantity(self) -> Measured | None:
        if self.value_ug is None:
            return None
        cause = Cause(CauseKind.READING, self.name)
        return Measured(self.value_ug, {cause: self.u_ug} if self.u_ug else {})


def read_streams(content: bytes) -> tuple[TableStream, ...]:
    """Read a table of streams.

    Raises
    ------
    UnreadableTable
        With every fault: a column missing or unknown, two streams of one name, a stream from a node to itself, a
        number that is none, a value without its doubt, a negative doubt.

    Examples
    --------
    >>> table = b"stream,from_node,to_node,value_kg,u_kg\\nin,,mill,100.5,0.2\\nout,mill,,,\\n"
    >>> [(row.name, row.to_node, row.value_ug) for row in read_streams(table)]
    [('in', 'mill', 100500000000), ('out', None, None)]
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content[: fault.start].count(b"\n") + 1
        raise _alone(line, "", "not UTF-8 text", "save the file as CSV in UTF-8") from fault
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    faults: list[TableFault] = []
    rows: list[TableStream] = []
    lines: dict[str, int] = {}
    try:
        order = _heading(next(reader, []))
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            line = reader.line_num
            if len(cells) != len(order):
                faults.append(
                    TableFault(
                        line,
                        "",
                        f"{len(cells)} cells where the heading has {len(order)}",
                        "write numbers with a decimal point (a comma begins a cell), texts with commas in quotes",
                    )
                )
                continue
            row = _row(line, dict(zip(order, (cell.strip() for cell in cells), strict=True)), lines, faults)
            if row is not None:
                rows.append(row)
    except csv.Error as fault:
        raise _alone(reader.line_num, "", f"not CSV ({fault})", "close every quote") from fault
    if faults:
        raise UnreadableTable(faults)
    if not rows:
        raise _alone(0, "", "no streams below the heading", "add a line per stream")
    return tuple(rows)


def _alone(line: int, column: str, detail: str, remedy: str) -> UnreadableTable:
    return UnreadableTable([TableFault(line, column, detail, remedy)])


def _heading(cells: list[str]) -> list[str]:
    names = [cell.strip() for cell in cells]
    wanted = ",".join(COLUMNS)
    if len(names) == 1 and any(mark in names[0] for mark in ";\t"):
        raise _alone(1, "", "columns parted by semicolons or tabs", f"part them by commas: {wanted}")
    faults = [
        TableFault(1, name, "column is missing", f"the heading must be {wanted}")
        for name in COLUMNS
        if name not in names
    ]
    faults += [
        TableFault(1, name or "(no name)", "unknown column", f"leave it out; the heading must be {wanted}")
        for name in names
        if name not in COLUMNS
    ]
    faults += [
        TableFault(1, name, "column stands there twice", "leave one out") for name in COLUMNS if names.count(name) > 1
    ]
    if faults:
        raise UnreadableTable(faults)
    return names


def _row(line: int, cells: dict[str, str], lines: dict[str, int], faults: list[TableFault]) -> TableStream | None:
    before = len(faults)
    name, tail, head = cells["stream"], cells["from_node"] or None, cells["to_node"] or None
    if not name:
        faults.append(TableFault(line, "stream", "no name", "name every stream"))
    elif name in lines:
        detail = f"{name!r} is already the name of line {lines[name]}"
        faults.append(TableFault(line, "stream", detail, "give each stream its own name"))
    else:
        lines[name] = line
    if tail == head:
        detail = "runs from outside to outside" if tail is None else f"runs from node {tail!r} to itself"
        faults.append(TableFault(line, "to_node", detail, "name the other node, or leave the stream out"))
    value = _number(line, "value_kg", cells["value_kg"], faults)
    doubt = _number(line, "u_kg", cells["u_kg"], faults)
    if doubt is not None and doubt < 0:
        faults.append(TableFault(line, "u_kg", f"{cells['u_kg']} is negative", "an uncertainty is 0 or more"))
    if cells["value_kg"] and not cells["u_kg"]:
        remedy = "state the standard uncertainty, 0 if the value is exact; without a value the stream is unmeasured"
        faults.append(TableFault(line, "u_kg", "a value without its uncertainty", remedy))
    if len(faults) > before:
        return None
    if value is None or doubt is None:
        return TableStream(name, tail, head, None, None)
    with localcontext() as context:
        context.prec = _DIGITS
        return TableStream(name, tail, head, round(value * UG_PER_KG), float(doubt * UG_PER_KG))


def _number(line: int, column: str, text: str, faults: list[TableFault]) -> Decimal | None:
    if not text:
        return None
    if not _NUMBER.fullmatch(text) or len(text) > _LONGEST_NUMBER:
        detail = f"{text[:_LONGEST_NUMBER]!r} is no number"
        remedy = "write kilograms with a decimal point and without thousands marks or unit, such as 24368.5"
        faults.append(TableFault(line, column, detail, remedy))
        return None
    number = Decimal(text)
    if abs(number) > _LIMIT_KG or not math.isfinite(number):
        faults.append(TableFault(line, column, f"{text} kg is more than a million tonnes", "check the unit"))
        return None
    return number
